"""The report of a job: what was done, found and proved, section by section, to print or send."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import sim
import tuning
from workbench.figures import log as log_figures
from workbench.figures import search as search_figures
from workbench.figures.explanation import explain_figures
from workbench.figures.start import curves_figure, curves_finding
from workbench.figures.stress import matrix_figure, stress_finding, worst_figure
from workbench.figures.trace import idle_figure
from workbench.output.drawing import Figure
from workbench.output.html_page import HtmlPages
from workbench.output.pdf_pages import PdfPages
from workbench.output.results import write_as
from workbench.sheet.writing import Pages, Sheet, write_body
from workbench.words import search as search_words
from workbench.words.cautions import basis_words
from workbench.words.tables import Table, cycle_table, with_and_without_table
from workbench.words.wording import in_words, worded


@dataclass(frozen=True)
class Picture:
    """A figure and the one sentence that it shows."""

    finding: str
    figure: Figure


@dataclass(frozen=True)
class Section:
    """One part of the report: text, then points, tables and figures."""

    title: str
    text: str
    points: Sequence[str] = ()
    tables: Sequence[Table] = ()
    pictures: Sequence[Picture] = ()


def write_report(title: str, sections: Sequence[Section], sheet: Sheet, path: Path) -> None:
    """Write a report, sections in order and then the sheet, in the form that the ending of the name says."""
    kinds: dict[str, type[Pages]] = {".html": HtmlPages, ".pdf": PdfPages}
    write_as(path, {end: partial(_written, title, sections, sheet, kind) for end, kind in kinds.items()})


def _written(title: str, sections: Sequence[Section], sheet: Sheet, kind: type[Pages]) -> bytes:
    pages = kind(title)
    pages.heading(title, 15.0)
    pages.cautions(sheet.cautions)
    for section in sections:
        pages.heading(section.title, 12.0)
        pages.paragraph(section.text, 8.4)
        if section.points:
            pages.points(section.points, 8.0)
        for table in section.tables:
            pages.table(table)
        for picture in section.pictures:
            pages.picture(picture.finding, picture.figure)
    pages.heading(f"Settings sheet: {sheet.car}", 14.0, fresh=True)
    write_body(sheet, pages)
    return pages.to_bytes()


JOB = (
    "The idle air of this engine comes through a bypass valve moved in steps. This report tells how the car"
    " idles with its present feedback settings, which settings a search found over all cars that this one"
    " could be, how they stand up to loads, starts and faults, and how to try them on the car. The numbers"
    " are a model's; the cautions come first. Ranges: 90 % of what was fitted, eight runs in ten of what is"
    " expected; a number without one is of one run, a mean over the cars told, or an entry, and has none."
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
        search_words.scored_table(result),
        search_words.compared_table(result.now, result.predicted),
        search_words.changed_table(before, result),
    ]
    chosen = result.front.chosen
    pictures = [
        Picture(search_figures.compared_finding(result), search_figures.compared_figure(result)),
        Picture(
            f"At loads and a blip, and at rest: from a swing of {result.now.hunting_rpm:.0f} rpm"
            f" to {result.predicted.hunting_rpm:.0f} rpm, and from {result.now.moves_per_min:.0f}"
            f" valve moves a minute to {result.predicted.moves_per_min:.0f}.",
            search_figures.before_after_figure(result, deadbands),
        ),
    ]
    if result.front.points:
        pictures.append(
            Picture(
                f"The chosen settings swing {chosen.quiet_rpm:.0f} rpm above the floor and settle"
                f" in {chosen.quick_s:.1f} s; the score also weighs error, dips and blips, so"
                " settings that are best on these three alone need not be chosen.",
                search_figures.front_figure(result),
            )
        )
    if result.importance:
        first = max(result.importance, key=lambda name: result.importance[name])
        found = f"What decides most in this search is the {search_words.setting_name(first)}."
        pictures.append(Picture(found, search_figures.importance_figure(result)))
    told, notes = search_words.tune_finding(result), search_words.tune_notes(result)
    return Section("The search", told, notes, tables, pictures)


def diagnosis_section(log: tuning.Log, diagnosis: tuning.Diagnosis) -> Section:
    """Tell what a log shows without any model."""
    verdict, *rest = worded(diagnosis.lines())
    counted = Counter(one.kind for one in diagnosis.segments)
    names = [(name, counted[kind]) for kind, _, name in log_figures.BANDS if counted[kind]]
    parts = ", ".join(f"{count} x {name}" for name, count in names) or "nothing but idling"
    figure = log_figures.diagnosis_figure(log, diagnosis, titled=False)
    return Section(
        title="What the log of its idle tells",
        text=f"From the log alone, without any model: {verdict}",
        points=rest,
        pictures=[Picture(f"The log is made of: {parts}.", figure)],
    )


def fit_section(fit: tuning.Fit) -> Section:
    """Tell how the car file was fitted to a log."""
    rows = [
        (
            one.name,
            f"{one.change:+.2f} {one.unit}" if one.unit else f"x {one.change:.2f}",
            f"{one.low:.2f} to {one.high:.2f}",
            "told by the log" if one.told else "the file's value holds",
        )
        for one in fit.numbers
    ]
    verdict, worth, scatter, *_ = worded(fit.lines())
    return Section(
        title="The car as the log shows it",
        text=(
            f"{verdict} A recording made as the recording plan says, feedback off, was replayed by the model"
            " until both agreed; from here on this fitted car is used, with what the log leaves uncertain."
        ),
        points=[
            worth,
            scatter,
            *(in_words(one) for one in (*(check.note for check in fit.checks), *fit.notes)),
        ],
        tables=[Table(("number", "change", "90 % interval", "source"), rows, " rr ")],
        pictures=[
            Picture(log_figures.fit_finding(fit), log_figures.fit_figure(fit, titled=False)),
            Picture(log_figures.numbers_finding(fit), log_figures.numbers_figure(fit, titled=False)),
        ],
    )


SCENARIO = "warm_idle"
DRAWN_s = 40.0


def idle_section(car: sim.Car, seed: int, base_error_steps: float = 0.0) -> tuple[Section, bool]:
    """Let the car idle warm, with its feedback and with the valve held still."""
    scenario = sim.load_scenario(SCENARIO)
    windows = [(one.what, one.from_s, one.to_s) for one in scenario.measure]
    held_car = sim.with_values(car, {"feedback": {"law": "none"}})
    run = sim.simulate(car, scenario, seed, base_error_steps=base_error_steps)
    held = sim.simulate(held_car, scenario, seed)
    seen = tuning.measure(run, windows)
    floor_rpm = tuning.measure(held, windows).hunting_rpm
    answer, told = tuning.read_run(run, *windows[0][1:])
    hunts = answer == tuning.HUNTS
    text = f"With its present settings {in_words(told)}; with the valve held it is {floor_rpm:.0f} rpm."
    if hunts:
        text += " The feedback does it, not the engine."
    moves = f"The valve makes {seen.moves_per_min:.0f} moves a minute"
    pictures = [
        Picture(f"{moves}, and speed follows them.", idle_figure(run, car, DRAWN_s)),
        Picture(
            f"With the valve held still the same engine wanders by {floor_rpm:.0f} rpm: that no"
            " feedback removes.",
            idle_figure(held, held_car, DRAWN_s),
        ),
    ]
    return Section("The idle as it is", text, pictures=pictures), hunts


READ = {
    "with_and_without": "Each bar is the same car with one thing changed; what ends the swing is its cause.",
    "cycle_told": "One period of the hunting, scatter taken out, and where the valve could hold.",
    "map_moves": "Each cell is the same car with another minimum move and deadband, run from many starting"
    " places; below the line theory finds places without a position to rest.",
    "map_gains": "Each cell is the same car with other gains: where the shade does not follow the line, it is"
    " the steps that hunt, not the gains.",
    "bound": "The dark part of each bar is the smallest dip this valve allows, opened at full speed from the"
    " moment of the load; the rest could be gained.",
}
"""How each figure is read."""


def explain_section(result: tuning.Explanation) -> Section:
    """Tell why it hunts, with the proof."""
    first, *rest = worded(result.verdict)
    tables = [with_and_without_table(result)]
    cycles = cycle_table(result)
    if cycles is not None:
        tables.append(cycles)
    drawn = explain_figures(result)
    pictures = [Picture(READ[name], drawn[name]) for name in READ if name in drawn]
    title = "Why it hunts" if result.hunts else "Why it does not hunt"
    return Section(title, first, rest, tables, pictures)


WORST = 3
LISTED = 8
COLUMNS = ("deserves a look", "worst in", "value", "allowed", "cars failing", "worst car")


def stress_section(result: tuning.Stress) -> Section:
    """Tell how the settings stood up."""
    # A case that does not fit the car has no verdict to show.
    broken = [case for case in result.worst(LISTED) if case.verdict != "pass"]
    worst = result.worst(WORST)
    named = ", ".join(case.name for case in worst)
    strained = [case for case in worst if case.verdict != "pass"]
    told = "go beyond a limit" if len(strained) == len(worst) else "come nearest to their limits"
    pictures = [
        Picture(stress_finding(result), matrix_figure(result)),
        Picture(f"The hardest cases {told}: {named}.", worst_figure(result, WORST)),
    ]
    text = (
        f"{result.runs} runs on {result.engines} cars that this one could be and that the search"
        " did not meet. Where something is broken (lost steps, a leak, a weak cylinder) only"
        " stalling and racing count as failing. A case fails that does on more than one car of ten."
        f" Listed are the hardest {LISTED}; the picture has all."
    )
    tables = [Table(COLUMNS, _rows(broken), "  rrr ")] if broken else []
    return Section("The stress matrix", text, (), tables, pictures)


def _rows(cases: Sequence[tuning.Case]) -> list[list[str]]:
    rows = []
    for case in cases:
        one = case.decided_by
        side = "at least" if one.lower_is_worse else "at most"
        rows.append([
            case.name if case.verdict == "warn" else f"{case.name} (fails)", in_words(one.meaning),
            f"{one.value:.3g} {one.unit}", f"{side} {one.limit:.3g}",
            f"{one.failing} of {one.cars}", case.worst_car,
        ])  # fmt: skip
    return rows
