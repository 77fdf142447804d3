"""The sheet as one HTML file that prints on two pages."""

from __future__ import annotations

from html import escape

from workbench.output.html_page import html_cautions, html_list, html_page, html_table
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


def sheet_page(sheet: Sheet, imperial: bool = False) -> str:
    """Write the sheet as a file of its own."""
    head = f"<h1>Settings sheet: {escape(sheet.car)}</h1>"
    outside = f"outside ______ {units.written('degC', imperial)}"
    tail = f'<p class="small">Printed {today()}. Tried on ____________  by ____________  {outside}</p>'
    return html_page(f"Settings sheet: {sheet.car}", head + sheet_body(sheet, imperial) + tail)


def _to_look_at(sheet: Sheet) -> str:
    if not sheet.to_look_at:
        return ""
    return f"<p><b>evenidle check has to say of:</b> {escape('; '.join(sheet.to_look_at))}.</p>"


def sheet_body(sheet: Sheet, imperial: bool = False, cautions: bool = True) -> str:
    """Write the sheet's content, also for the report."""
    steps = "".join(
        f"<li><b>{escape(step.title)}.</b> Enter: {escape(step.enter)}. {escape(step.do)}"
        f" <i>Go on if</i> {escape(step.go_on)} <b>{BOX} entered {BOX} seen</b></li>"
        for step in sheet.steps
    )
    return "\n".join(
        [
            html_cautions(sheet.cautions) if cautions else "",
            f'<p class="small">{escape(sheet.made)} Loads fitted: {escape(sheet.loads)}.</p>',
            _to_look_at(sheet),
            "<h2>Settings</h2>",
            html_table(setting_table(sheet), strong=2),
            f"<p>{escape(sheet.worked)}</p>" if sheet.worked else "",
            "<h2>Homing and timing</h2>",
            html_table(homing_table(sheet)),
            "<h2>Open-loop curves: unchanged, advice beside them</h2>",
            html_table(curve_table(sheet, imperial)),
            "<h2>What to expect</h2>",
            html_table(expected_table(sheet)),
            f'<p class="small">{escape(expected_note(sheet))}</p>',
            f"<h2>In this order on the car: base first, loop last</h2><ol>{steps}</ol>",
            "<h2>What to watch</h2>",
            html_list(sheet.watch),
            "<h2>When to stop</h2>",
            html_list(sheet.stop),
        ]
    )
