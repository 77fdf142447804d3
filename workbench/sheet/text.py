"""The sheet as CSV and JSON, for other programs."""

from __future__ import annotations

import csv
import io
import json

from workbench.output.kinds import SHEET_COLUMNS
from workbench.output.printing import plain
from workbench.sheet.parts import Sheet
from workbench.words.wording import in_words, worded


def sheet_json(sheet: Sheet) -> str:
    """Write the sheet as JSON."""
    return json.dumps(plain(worded(sheet.to_dict())), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def sheet_csv(sheet: Sheet) -> str:
    """Write the sheet as CSV: section, item, value, unit, entry, entry unit, remark."""
    stream = io.StringIO()
    table = csv.writer(stream, lineterminator="\n")
    table.writerow(SHEET_COLUMNS)
    table.writerow(["car", sheet.car, sheet.law, "law", "", "", ""])
    table.writerow(["made", sheet.made, "", "", "", "", f"loads fitted: {sheet.loads}"])
    for title, text in sheet.cautions:
        table.writerow(["caution", title, "", "", "", "", text])
    for row in sheet.settings:
        cells = [row.name, row.ours, row.unit, row.entry, row.entry_unit, row.reason]
        table.writerow(["setting", *cells])
    for row in sheet.settings:
        if row.present:
            table.writerow(["to go back to", row.name, "", "", row.present, row.entry_unit, ""])
    if sheet.worked:
        table.writerow(["worked line", "", "", "", "", "", sheet.worked])
    for name in sheet.to_look_at:
        table.writerow(["check", name, "", "", "", "", "see evenidle check"])
    for at in sheet.curves:
        table.writerow(
            ["target speed", f"{at.coolant_degC:g} degC", f"{at.target_rpm:.0f}", "rpm", "", "", ""]
        )
        advice = at.advice if at.advice == "keep" else f"advice {at.advice}"
        place = f"{at.coolant_degC:g} degC"
        table.writerow(["base curve, unchanged", place, f"{at.base_steps:g}", "steps", "", "", advice])
        table.writerow(["cranking curve", place, f"{at.cranking_steps:.3g}", "steps", "", "", ""])
        table.writerow(["after-start air", place, f"{at.after_start_steps:.3g}", "steps", "", "", ""])
    for name, value, remark in sheet.homing:
        table.writerow(["homing and timing", name, value, "", "", "", remark])
    for one in sheet.expected.rows:
        span = f"{one.low:.4g} to {one.high:.4g}"
        table.writerow(["expected", in_words(one.meaning), span, one.unit, "", "", "eight runs in ten"])
    for text in sheet.watch:
        table.writerow(["watch", "", "", "", "", "", text])
    for text in sheet.stop:
        table.writerow(["stop", "", "", "", "", "", text])
    for number, step in enumerate(sheet.steps, 1):
        told = f"{step.do} Go on: {step.go_on}"
        table.writerow(["try on the car", f"{number}. {step.title}", step.enter, "", "", "", told])
    return stream.getvalue()
