"""The sheet as two printed pages."""

from __future__ import annotations

from workbench.output.pdf_pages import PdfPages
from workbench.sheet.parts import Sheet
from workbench.sheet.tables import (
    EXPECTED_COLUMNS,
    SETTING_COLUMNS,
    curve_cells,
    curve_columns,
    expected_cells,
    expected_note,
    setting_cells,
)
from workbench.words import units


def sheet_pdf(sheet: Sheet, imperial: bool = False) -> bytes:
    """Print the sheet.

    Gives A PDF of two pages.
    """
    pages = PdfPages(f"Settings sheet: {sheet.car}")
    pages.heading(f"Settings sheet: {sheet.car}", 14.0)
    print_sheet(sheet, pages, imperial)
    outside = f"outside ______ {units.written('degC', imperial)}"
    pages.paragraph(f"Tried on ______________   by ______________   {outside}")
    return pages.to_bytes()


def print_sheet(sheet: Sheet, pages: PdfPages, imperial: bool = False) -> None:
    """Print the sheet's content, also for the report."""
    pages.heading("Before anything else")
    for title, text in sheet.cautions:
        pages.paragraph(f"{title} {text}", lead="!", colour="#7a1010")
    pages.heading("Settings")
    widths = [2.1, 0.8, 1.9, 0.8, 2.0, 4.6]
    pages.table(SETTING_COLUMNS, setting_cells(sheet), widths, " r r", strong=3)
    pages.heading("Homing and timing")
    pages.table(["", "", ""], [list(row) for row in sheet.homing], [1.4, 1.6, 4.0])
    pages.heading("Open-loop curves: unchanged, advice beside them")
    columns, cells = curve_columns(sheet, imperial), curve_cells(sheet, imperial)
    pages.table(columns, cells, [1.0] * 7, "rrrrrrr")
    pages.heading("What to expect")
    pages.table(EXPECTED_COLUMNS, expected_cells(sheet), [4.0, 1.6, 1.4], " r")
    pages.paragraph(expected_note(sheet))
    pages.heading("In this order on the car, from the safest on")
    for place, step in enumerate(sheet.steps, 1):
        text = f"{step.title}. Enter: {step.enter}. {step.do} Go on if {step.go_on}"
        pages.paragraph(text, lead=f"{place}.")
    for heading, points in (("What to watch", sheet.watch), ("When to stop", sheet.stop)):
        pages.heading(heading)
        for point in points:
            pages.paragraph(point, lead="-")
