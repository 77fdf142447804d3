"""Tables of the sheet as cells of text, the same for HTML and PDF."""

from __future__ import annotations

from workbench.sheet.parts import Sheet
from workbench.words import units
from workbench.words.numbers import number
from workbench.words.wording import in_words

SETTING_COLUMNS = ("setting", "go back to", "enter", "in", "entered", "why")
BOX, BLANK = "\u2610", "______"
"""To be ticked on paper, and to be written in."""
EXPECTED_COLUMNS = ("on plausible cars", "eight runs in ten", "unit")


def today() -> str:
    """The day on which it is printed."""
    from datetime import date

    return date.today().isoformat()


def setting_cells(sheet: Sheet) -> list[list[str]]:
    """Make the cells of the settings."""
    return [
        [row.name, row.present or BLANK, row.entry, row.entry_unit, BOX, row.reason] for row in sheet.settings
    ]


def curve_columns(sheet: Sheet, imperial: bool = False) -> list[str]:
    """Make the headings of the curves."""
    return [
        f"{sheet.temperature} {units.written('degC', imperial)}",
        "target rpm", "base steps", "advice", "rpm per step", "cranking steps", "after-start steps",
    ]  # fmt: skip


def curve_cells(sheet: Sheet, imperial: bool = False) -> list[list[str]]:
    """Make the cells of the curves."""
    return [
        [
            f"{units.shown(row.coolant_degC, 'degC', imperial):.4g}",
            f"{row.target_rpm:.0f}",
            f"{row.base_steps:g}",
            row.advice,
            f"{row.rpm_per_step:.0f}",
            f"{row.cranking_steps:.0f}",
            f"{row.after_start_steps:.0f}",
        ]
        for row in sheet.curves
    ]


def expected_cells(sheet: Sheet) -> list[list[str]]:
    """Make the cells of what is expected."""
    return [
        [in_words(row.meaning), f"{number(row.low)} to {number(row.high)}", row.unit]
        for row in sheet.expected.rows
    ]


def expected_note(sheet: Sheet) -> str:
    """Say what the ranges stand on."""
    expected = sheet.expected
    stalls = round(expected.prediction.stall_share * expected.runs)
    told = "none stalled" if stalls == 0 else f"{stalls} stalled"
    return (
        f"{expected.runs} runs of {expected.cars} cars that this one could be, the base curve up to"
        f" 3 steps off: {told}. With the valve held, warm speed swings"
        f" {expected.prediction.floor_rpm:.0f} rpm; no feedback can remove that."
    )
