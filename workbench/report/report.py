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
from workbench.words.hunting import LIMITS
from workbench.words.sentence import capital
from workbench.words.tables import Table, with_and_without_table
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
        pages.pictures([(one.finding, one.figure) for one in section.pictures])
    pages.heading(f"Settings sheet: {sheet.car}", 14.0, fresh=True)
    write_body(sheet, pages)
    return pages.to_bytes()


JOB = (
    "The idle air of this engine comes through a bypass valve moved in steps. This report tells how the car"
    " idles with its present feedback settings, which settings a search found over all variations of your"
    " car, how they stand up to loads, starts and faults, and how to try them on the car. The numbers"
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
        points.append(f"{name}: {value}. {capital(remedy)}.")
    picture = Picture(curves_finding(car), curves_figure(car))
    return Section("The car", told, points, [Table(("", ""), facts)], [picture])


def search_section(before: sim.Car, result: tuning.Tuning) -> Section:
    """Tell what the search found."""
    deadbands = (before.feedback.deadband_rpm, result.settings.deadband_rpm)
    tables = [
        search_words.scored_table(result), search_words.compared_table(result.now, result.predicted),
        search_words.changed_table(before.feedback.model_dump(), result.settings.model_dump()),
    ]  # fmt: skip
    pictures = [Picture(
        f"At loads, a blip and idle: from a swing of {result.now.hunting_rpm:.0f} rpm"
        f" to {result.predicted.hunting_rpm:.0f} rpm, and from {result.now.moves_per_min:.0f}"
        f" valve moves a minute to {result.predicted.moves_per_min:.0f}.",
        search_figures.before_after_figure(result, deadbands),
    )]  # fmt: skip
    told, notes = search_words.tune_finding(result), search_words.tune_notes(result, full=False)
    return Section("The search", told, notes, tables, pictures)


def diagnosis_section(log: tuning.Log, diagnosis: tuning.Diagnosis) -> Section:
    """Tell what a log shows without any model."""
    first, *more = diagnosis.lines()
    asked = [one for one in more if not one.code.startswith("diagnosis.next")]  # the report goes on itself
    said = [one for one in asked if one.code != "diagnosis.finding" or one["answer"] != "no"]
    verdict, *rest = worded([first, *said])
    counted = Counter(one.kind for one in diagnosis.segments)
    names = [(name, counted[kind]) for kind, _, name in log_figures.BANDS if counted[kind]]
    parts = ", ".join(f"{count} x {name}" for name, count in names) or "nothing but idling"
    figure = log_figures.diagnosis_figure(log, diagnosis, titled=False)
    return Section(
        title="What the log of its idle tells", text=f"From the log alone, without any model: {verdict}",
        points=rest, pictures=[Picture(f"The log is made of: {parts}.", figure)],
    )  # fmt: skip


def fit_section(fit: tuning.Fit) -> Section:
    """Tell how the car file was fitted to a log."""
    rows = [
        (one.name, f"{one.change:+.2f} {one.unit}" if one.unit else f"file's value x {one.change:.2f}",
         f"{one.low:.2f} to {one.high:.2f}")
        for one in fit.numbers if one.told
    ]  # fmt: skip
    verdict, worth, scatter, *_ = worded(fit.lines())
    checked = worded([*(check.note for check in fit.checks), *fit.notes])
    return Section(
        title="The car as the log shows it",
        text=f"{verdict} A recording made as the recording plan says, feedback off, was replayed by the model"
        " until both agreed; from here on this fitted car is used, with what the log leaves uncertain.",
        points=[worth, scatter, *checked],
        tables=[Table(("number that the log tells", "change", "90 % interval"), rows, " rr")],
        pictures=[Picture(log_figures.fit_finding(fit), log_figures.fit_figure(fit, titled=False))],
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
    moved = (
        f"The valve makes {seen.moves_per_min:.0f} moves a minute, and speed follows them. With the valve"
        f" held still (grey band) the same engine wanders by {floor_rpm:.0f} rpm: that no feedback removes."
    )
    return Section(
        "The idle as it is", text, pictures=[Picture(moved, idle_figure(run, held, car, DRAWN_s))]
    ), hunts


READ = {
    "with_and_without": "Each bar is the same car with one thing changed; what ends the swing is its cause.",
    "cycle_told": "One period of the hunting, without combustion variation, and where the valve could hold.",
    "map_moves": "Each cell is the same car with another minimum move and deadband, from many starting"
    " conditions; below the line theory finds conditions in which no position holds.",
    "map_gains": "Each cell is the same car with other gains: where the shade does not follow the line, it is"
    " the steps that hunt, not the gains.",
    "bound": "The dark part of each bar is the smallest dip this valve allows, opened at full speed from the"
    " moment of the load.",
}
"""How each figure is read."""


def explain_section(result: tuning.Explanation) -> Section:
    """Tell why it hunts, with the proof."""
    first, *rest = worded(result.verdict)
    drawn = explain_figures(result)
    pictures = [Picture(READ[name], drawn[name]) for name in READ if name in drawn]
    title = "Why it hunts" if result.hunts else "Why it does not hunt"
    return Section(title, first, rest, [with_and_without_table(result)], pictures)


WORST = 3


def stress_section(result: tuning.Stress) -> Section:
    """Tell how the settings stood up."""
    worst = result.worst(WORST)
    named = ", ".join(case.name for case in worst)
    strained = [case for case in worst if case.verdict != "pass"]
    told = "go beyond a limit" if len(strained) == len(worst) else "come nearest to their limits"
    pictures = [
        Picture(stress_finding(result), matrix_figure(result)),
        Picture(f"The hardest cases {told}: {named}.", worst_figure(result, WORST)),
    ]
    text = (
        f"{result.runs} runs on {result.engines} variations of your car that the search"
        f" did not meet. {LIMITS}"
    )
    return Section("The stress matrix", text, pictures=pictures)
