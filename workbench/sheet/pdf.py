"""The sheet as two printed pages."""

from __future__ import annotations

from workbench.output.pdf_pages import PdfPages
from workbench.sheet.parts import Sheet
from workbench.sheet.tables import (
    BOX,
    curve_table,
    expected_note,
    expected_table,
    homing_table,
    setting_table,
    today,
)
from workbench.words import units

EXPECTED_in = 2.0
"""Room that what is to be expected takes: it stands on one page."""


def sheet_pdf(sheet: Sheet, imperial: bool = False) -> bytes:
    """Print the sheet."""
    pages = PdfPages(f"Settings sheet: {sheet.car}")
    pages.heading(f"Settings sheet: {sheet.car}", 14.0)
    print_sheet(sheet, pages, imperial)
    outside = f"outside ______ {units.written('degC', imperial)}"
    pages.paragraph(f"Printed {today()}. Tried on ______________ by ______________ {outside}")
    return pages.to_bytes()


def print_cautions(sheet: Sheet, pages: PdfPages) -> None:
    """Print the cautions."""
    pages.heading("Before anything else")
    for title, text in sheet.cautions:
        pages.paragraph(f"{title} {text}", lead="!", colour="#7a1010")


def print_sheet(sheet: Sheet, pages: PdfPages, imperial: bool = False, cautions: bool = True) -> None:
    """Print the sheet's content, also for the report, which has the cautions first of all."""
    if cautions:
        print_cautions(sheet, pages)
    pages.paragraph(f"{sheet.made} Loads fitted: {sheet.loads}.")
    if sheet.to_look_at:
        pages.paragraph(f"evenidle check has to say of: {'; '.join(sheet.to_look_at)}.", bold=True)
    pages.heading("Settings")
    pages.table(setting_table(sheet), [2.1, 1.1, 0.9, 2.4, 1.2, 4.4], strong=2)
    if sheet.worked:
        pages.paragraph(sheet.worked)
    pages.heading("Homing and timing")
    pages.table(homing_table(sheet), [1.4, 1.6, 4.0])
    pages.heading("Open-loop curves: unchanged, advice beside them")
    pages.table(curve_table(sheet, imperial), [1.0] * 7)
    pages.need(EXPECTED_in)
    pages.heading("What to expect")
    pages.table(expected_table(sheet), [4.0, 1.6, 1.4])
    pages.paragraph(expected_note(sheet))
    pages.heading("In this order on the car: base first, loop last")
    for place, step in enumerate(sheet.steps, 1):
        text = f"{step.title}. Enter: {step.enter}. {step.do} Go on if {step.go_on}"
        text = f"{text} {BOX} entered {BOX} seen"
        pages.paragraph(text, 8.4, lead=f"{place}.")
    for heading, points in (("What to watch", sheet.watch), ("When to stop", sheet.stop)):
        pages.heading(heading)
        for point in points:
            pages.paragraph(point, lead="-")
