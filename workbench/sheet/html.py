"""The sheet as one HTML file that prints on two pages."""

from __future__ import annotations

from html import escape

from workbench.output.html_page import html_cautions, html_list, html_page, html_table
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


def sheet_page(sheet: Sheet, imperial: bool = False) -> str:
    """Write the sheet as a file of its own.

    Gives HTML.
    """
    head = f"<h1>Settings sheet: {escape(sheet.car)}</h1>"
    outside = f"outside ______ {units.written('degC', imperial)}"
    tail = f'<p class="small">Tried on ____________  by ____________  {outside}</p>'
    return html_page(f"Settings sheet: {sheet.car}", head + sheet_body(sheet, imperial) + tail)


def sheet_body(sheet: Sheet, imperial: bool = False) -> str:
    """Write the sheet's content, also for the report.

    Gives HTML, cautions first.
    """
    steps = "".join(
        f"<li><b>{escape(step.title)}.</b> Enter: {escape(step.enter)}. {escape(step.do)}"
        f" <i>Go on if</i> {escape(step.go_on)}</li>"
        for step in sheet.steps
    )
    return "\n".join(
        [
            html_cautions(sheet.cautions),
            "<h2>Settings</h2>",
            html_table(SETTING_COLUMNS, setting_cells(sheet), " r r", strong=3),
            "<h2>Homing and timing</h2>",
            html_table(["", "", ""], [list(row) for row in sheet.homing]),
            "<h2>Open-loop curves: unchanged, advice beside them</h2>",
            html_table(curve_columns(sheet, imperial), curve_cells(sheet, imperial), "rrrrrrr"),
            "<h2>What to expect</h2>",
            html_table(EXPECTED_COLUMNS, expected_cells(sheet), " r"),
            f'<p class="small">{escape(expected_note(sheet))}</p>',
            f"<h2>In this order on the car, from the safest on</h2><ol>{steps}</ol>",
            "<h2>What to watch</h2>",
            html_list(sheet.watch),
            "<h2>When to stop</h2>",
            html_list(sheet.stop),
        ]
    )
