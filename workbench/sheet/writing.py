"""The sheet: what stands on it, and how it is written for a screen, for paper and for other programs."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import asdict, dataclass
from typing import Any, TypeAlias

import tuning
from workbench.output.html_page import HtmlPages
from workbench.output.pdf_pages import PdfPages
from workbench.output.printing import plain
from workbench.output.results import SHEET_COLUMNS
from workbench.words import units
from workbench.words.tables import BOX, Table, span, table_of
from workbench.words.wording import in_words, worded


@dataclass(frozen=True)
class SettingRow:
    """One setting: our number, the number to enter, and why."""

    key: str
    name: str
    ours: str
    unit: str
    entry: str
    entry_unit: str
    reason: str
    fits: bool
    present: str = ""


@dataclass(frozen=True)
class CurveRow:
    """The open-loop curves at one temperature; the base curve is as it was."""

    coolant_degC: float
    target_rpm: float
    base_steps: float
    advice_steps: float
    advice: str
    cranking_steps: float
    after_start_steps: float
    rpm_per_step: float


@dataclass(frozen=True)
class TryStep:
    """One step of trying the settings on the car."""

    title: str
    enter: str
    do: str
    go_on: str


@dataclass(frozen=True)
class Sheet:
    """Everything on the sheet, in the order in which it is printed."""

    car: str
    law: str
    temperature: str
    cautions: tuple[tuple[str, str], ...]
    settings: tuple[SettingRow, ...]
    curves: tuple[CurveRow, ...]
    homing: tuple[tuple[str, str, str], ...]
    expected: tuning.Expectation
    watch: tuple[str, ...]
    stop: tuple[str, ...]
    steps: tuple[TryStep, ...]
    basis: str = ""
    worked: str = ""
    loads: str = ""
    to_look_at: tuple[str, ...] = ()
    version: str = ""
    seed: int = 0
    untrusted: bool = False

    @property
    def title(self) -> str:
        """What stands above all else."""
        return f"Settings sheet: {self.car}{'. ITS FIT IS NOT TO BE TRUSTED' if self.untrusted else ''}"

    @property
    def made(self) -> str:
        """What it was made with and what its numbers are, in a line."""
        return f"evenidle {self.version}, seed {self.seed}. {self.basis}"

    def to_dict(self) -> dict[str, Any]:
        """Give the sheet as plain values."""
        told = asdict(self)
        told.pop("expected")
        return told | {"expected": self.expected.to_dict()}


Pages: TypeAlias = HtmlPages | PdfPages
UNSEEN = "beyond the fit"  # Of a place of a curve that the logs of a fit did not show.
BLANK = "______"  # To be written in on paper.
WRITE_IN = "Go back to: your present settings are not known here; write them in (or give --present CAR.toml)."
EXPECTED_in = 2.0  # Room that what is to be expected takes: it stands on one page.


def sheet_bytes(sheet: Sheet, kind: type[Pages], imperial: bool = False) -> bytes:
    """Write the sheet as a file of its own."""
    pages = kind(sheet.title)
    pages.heading(sheet.title, 14.0)
    pages.cautions(sheet.cautions)
    write_body(sheet, pages, imperial)
    outside = f"outside ______ {units.written('degC', imperial)}"
    tried = f"Tried on {pages.blank} by {pages.blank} {outside}"
    pages.paragraph(f"Printed {today()}. {tried}", small=True)
    return pages.to_bytes()


def write_body(sheet: Sheet, pages: Pages, imperial: bool = False) -> None:
    """Write the sheet's content below its cautions, also for the report, which has these first of all."""
    pages.paragraph(f"{sheet.made} Loads fitted: {sheet.loads}.", small=True)
    if sheet.to_look_at:
        pages.paragraph(f"To look at, by evenidle check: {'; '.join(sheet.to_look_at)}.")
    pages.heading("Settings")
    pages.table(setting_table(sheet), [2.1, 1.1, 0.9, 2.4, 1.2, 4.4], strong=2)
    if not sheet.settings[0].present:
        pages.paragraph(WRITE_IN, small=True)
    if sheet.worked:
        pages.paragraph(sheet.worked)
    pages.heading("Homing and timing")
    pages.table(Table(("", "", ""), sheet.homing), [1.4, 1.6, 4.0])
    pages.heading("Open-loop curves: unchanged, advice beside them")
    pages.table(curve_table(sheet, imperial), [1.0] * 7)
    pages.paragraph(sure_note(sheet), small=True)
    pages.heading("What to expect", room_in=EXPECTED_in)
    pages.table(expected_table(sheet), [4.0, 1.6, 1.4])
    pages.paragraph(expected_note(sheet), small=True)
    pages.heading("In this order on the car: base first, loop last")
    pages.table(trial_table(sheet), [6.0, 2.5, 0.95, 0.6], large=True)
    pages.heading("What to watch")
    pages.points(sheet.watch)
    pages.heading("When to stop")
    pages.points(sheet.stop)


def trial_table(sheet: Sheet) -> Table:
    """Table the tries on the car, a box for entered and one for seen beside each; bold between asterisks."""
    rows = [
        (f"**{place}. {step.title}.** Enter: **{step.enter}.** {step.do}", step.go_on, BOX, BOX)
        for place, step in enumerate(sheet.steps, 1)
    ]
    return Table(("enter and do", "go on if", "entered", "seen"), rows)


def today() -> str:
    """The day on which it is printed."""
    from datetime import date

    return date.today().isoformat()


def setting_table(sheet: Sheet) -> Table:
    """Table the settings, with room to tick what was entered."""
    return table_of(
        sheet.settings,
        {
            "setting": lambda row: row.name,
            "go back to": lambda row: row.present or BLANK,
            "enter": lambda row: row.entry,
            "in": lambda row: row.entry_unit,
            "entered": lambda _: BOX,
            "why": lambda row: row.reason,
        },
        " rr",
    )


def curve_table(sheet: Sheet, imperial: bool = False) -> Table:
    """Table the curves in the units chosen."""
    return table_of(
        sheet.curves,
        {
            f"{sheet.temperature} {units.written('degC', imperial)}": lambda row: (
                f"{units.shown(row.coolant_degC, 'degC', imperial):.4g}"
            ),
            "target rpm": lambda row: f"{row.target_rpm:.0f}",
            "base steps": lambda row: f"{row.base_steps:g}",
            "advice": lambda row: row.advice,
            "rpm per step": lambda row: f"{row.rpm_per_step:.0f}",
            "cranking steps": lambda row: f"{row.cranking_steps:.0f}",
            "after-start steps": lambda row: f"{row.after_start_steps:.0f}",
        },
        "rrrrrrr",
    )


def expected_table(sheet: Sheet) -> Table:
    """Table what is expected."""
    return table_of(
        sheet.expected.rows,
        {
            "on variations of your car": lambda row: in_words(row.meaning),
            "eight runs in ten": lambda row: span(row.low, row.high, row.unit),
            "unit": lambda row: row.unit,
        },
        " r",
    )


def expected_note(sheet: Sheet) -> str:
    """Say what the ranges stand on."""
    expected = sheet.expected
    stalls = round(expected.prediction.stall_share * expected.runs)
    told = "none stalled" if stalls == 0 else f"{stalls} stalled"
    return (
        f"{expected.runs} runs of {expected.cars} variations of your car, the base curve up to"
        f" 3 steps off: {told}. With the valve held, warm speed swings"
        f" {expected.prediction.floor_rpm:.0f} rpm; no feedback can remove that. Of other kinds of engine"
        " tried, many dipped deeper than told after a blip, some under all loads: leave room above the stall."
    )


def sure_note(sheet: Sheet) -> str:
    """Say how sure the numbers are that stand without a range."""
    low, high = sheet.expected.worth_rpm
    told = (
        "Advice, rpm per step and what follows from them, also in the plan, are the model's: warm valve gain"
        f" is {low:.0f} to {high:.0f} rpm per step on eight in ten of {sheet.expected.cars} variations of"
        " your car. Other numbers, but the ranges below, are settings, counts, means or limits and have none."
    )
    unseen = any(UNSEEN in row.advice for row in sheet.curves)
    return f"{told} {UNSEEN.capitalize()}: no log showed this; it is extrapolated." if unseen else told


def sheet_json(sheet: Sheet) -> str:
    """Write the sheet as JSON."""
    return json.dumps(plain(worded(sheet.to_dict())), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def sheet_csv(sheet: Sheet) -> str:
    """Write the sheet as CSV: section, item, value, unit, entry, entry unit, remark."""
    stream = io.StringIO()
    table = csv.writer(stream, lineterminator="\n")
    table.writerow(SHEET_COLUMNS)

    def row(section: str, item: str = "", *cells: str, remark: str = "") -> None:
        table.writerow([section, item, *cells, *("",) * (4 - len(cells)), remark])

    for title, text in sheet.cautions:
        row("caution", title, remark=text)
    row("car", sheet.car, sheet.law, "law")
    row("made", sheet.made, remark=f"loads fitted: {sheet.loads}")
    for one in sheet.settings:
        row("setting", one.name, one.ours, one.unit, one.entry, one.entry_unit, remark=one.reason)
    for one in (one for one in sheet.settings if one.present):
        row("to go back to", one.name, "", "", one.present, one.entry_unit)
    if sheet.worked:
        row("worked line", remark=sheet.worked)
    for told in sheet.to_look_at:
        row("check", told, remark="see evenidle check")
    for at in sheet.curves:
        place, advice = (
            f"{at.coolant_degC:g} degC",
            at.advice if at.advice == "keep" else f"advice {at.advice}",
        )
        row("target speed", place, f"{at.target_rpm:.0f}", "rpm")
        row("base curve, unchanged", place, f"{at.base_steps:g}", "steps", remark=advice)
        row("cranking curve", place, f"{at.cranking_steps:.3g}", "steps")
        row("after-start air", place, f"{at.after_start_steps:.3g}", "steps")
    row("how sure", remark=sure_note(sheet))
    for name, value, remark in sheet.homing:
        row("homing and timing", name, value, remark=remark)
    for seen in sheet.expected.rows:
        told = span(seen.low, seen.high, seen.unit)
        row("expected", in_words(seen.meaning), told, seen.unit, remark="eight runs in ten")
    for section, points in (("watch", sheet.watch), ("stop", sheet.stop)):
        for text in points:
            row(section, remark=text)
    for n, step in enumerate(sheet.steps, 1):
        row("try on the car", f"{n}. {step.title}", step.enter, remark=f"{step.do} Go on: {step.go_on}")
    return stream.getvalue()
