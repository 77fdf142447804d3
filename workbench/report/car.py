"""Report sections on the job, the car and the search."""

from __future__ import annotations

import sim
import tuning
from workbench.figures.car import curves_figure, curves_finding
from workbench.figures.search import (
    before_after_figure,
    compared_figure,
    compared_finding,
    front_figure,
    importance_figure,
)
from workbench.report.report import Picture, Section
from workbench.words.cautions import basis_words
from workbench.words.search import (
    changed_table,
    compared_table,
    scored_table,
    setting_name,
    tune_finding,
    tune_notes,
)
from workbench.words.tables import Table
from workbench.words.wording import in_words

JOB = (
    "The idle air of this engine comes through a bypass valve moved in steps. This report tells"
    " how the car idles with its present feedback settings, which settings a search found over"
    " all cars that this one could be, how they stand up to loads, starts and faults, and how to"
    " try them on the car. The numbers are a model's; the cautions come first."
)


def job_section(car: sim.Car) -> Section:
    """Say what the report is about."""
    notes = [basis_words(car), *([car.car.note] if car.car.note else [])]
    return Section("The job", JOB, notes)


def car_section(car: sim.Car, checked: tuning.Check) -> Section:
    """Describe the car, with what the checks found and its open-loop curves."""
    engine, valve = car.engine, car.valve
    facts = [
        ["engine", f"{engine.displacement_cm3:g} cm3, {engine.cylinders} cylinders"],
        ["flywheel and crank", f"{engine.inertia_kg_m2:g} kg m2"],
        ["manifold", f"{car.manifold.volume_cm3:g} cm3"],
        ["valve", (f"{valve.travel_steps} steps of travel, {valve.useful_travel_steps} of use;"
         f" one step {valve.step_ms:g} ms")],
        ["law now", car.feedback.law],
    ]  # fmt: skip
    looks = [line for line in checked.lines if line.verdict != "pass"]
    told = f"{len(checked.lines)} checks of the car file, {len(looks)} to look at."
    points = []
    for line in looks:
        name, value, remedy = (in_words(one) for one in (line.name, line.value, line.remedy))
        points.append(f"{name}: {value}. {remedy[:1].upper()}{remedy[1:]}.")
    picture = Picture(curves_finding(car), curves_figure(car))
    return Section("The car", told, points, [Table(("", ""), facts)], [picture])


def search_section(before: sim.Car, result: tuning.Tuning) -> Section:
    """Tell what the search found."""
    deadbands = (before.feedback.deadband_rpm, result.settings.deadband_rpm)
    tables = [
        scored_table(result),
        compared_table(result.now, result.predicted),
        changed_table(before, result),
    ]
    chosen = result.front.chosen
    pictures = [
        Picture(compared_finding(result), compared_figure(result)),
        Picture(
            f"At loads and a blip, and at rest: from a swing of {result.now.hunting_rpm:.0f} rpm"
            f" to {result.predicted.hunting_rpm:.0f} rpm, and from {result.now.moves_per_min:.0f}"
            f" valve moves a minute to {result.predicted.moves_per_min:.0f}.",
            before_after_figure(result, deadbands),
        ),
    ]
    if result.front.points:
        pictures.append(
            Picture(
                f"The chosen settings swing {chosen.quiet_rpm:.0f} rpm above the floor and settle"
                f" in {chosen.quick_s:.1f} s; the score also weighs error, dips and blips, so"
                " settings that are best on these three alone need not be chosen.",
                front_figure(result),
            )
        )
    if result.importance:
        first = max(result.importance, key=lambda name: result.importance[name])
        found = f"What decides most in this search is the {setting_name(first)}."
        pictures.append(Picture(found, importance_figure(result)))
    return Section("The search", tune_finding(result), tune_notes(result), tables, pictures)
