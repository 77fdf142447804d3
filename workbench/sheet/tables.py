"""Tables of the sheet as cells of text, the same for HTML and PDF."""

from __future__ import annotations

from workbench.sheet.parts import Sheet
from workbench.words import units
from workbench.words.tables import Table, number, table_of
from workbench.words.wording import in_words

BOX, BLANK = "\u2610", "______"
"""To be ticked on paper, and to be written in."""


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


def homing_table(sheet: Sheet) -> Table:
    """Table homing and timing."""
    return Table(("", "", ""), sheet.homing)


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
            "on plausible cars": lambda row: in_words(row.meaning),
            "eight runs in ten": lambda row: f"{number(row.low)} to {number(row.high)}",
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
        f"{expected.runs} runs of {expected.cars} cars that this one could be, the base curve up to"
        f" 3 steps off: {told}. With the valve held, warm speed swings"
        f" {expected.prediction.floor_rpm:.0f} rpm; no feedback can remove that."
    )
