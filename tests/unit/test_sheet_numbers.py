"""The numbers on the sheet, typed into the controller, give the verdict that was printed."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controllers import Feedback
from sim import Car, load_car, with_values
from tuning.search.entry_form import ENTRY_KEYS, from_entry
from tuning.search.searching import tune
from tuning.stress_tests.stressing import stress
from workbench.sheet.making import make_sheet, write_sheet
from workbench.sheet.writing import UNSEEN, curve_table, sheet_csv, sure_note
from workbench.words.cautions import CAUTIONS
from workbench.words.tables import span
from workbench.words.wording import in_words

FORM = {
    "output_unit": "percent_of_travel",
    "gain_time": "per_update",
    "gain_per_rpm": 50.0,
    "sign": -1,
    "resolution": {"gain_steps_per_100rpm": 0.25, "deadband_rpm": 10.0},
}
"""A controller that counts otherwise than we do, and coarsely."""


def typed_in(car: Car, sheet: Path, begun: Feedback) -> Feedback:
    """Settings as they are once somebody has typed in what the sheet says."""
    typed: dict[str, list[float]] = {}
    for row in json.loads(sheet.read_text())["settings"]:
        if row["key"] in ENTRY_KEYS:
            typed.setdefault(row["key"], []).append(float(row["entry"]))
    entered: dict[str, Any] = {key: tuple(told) if len(told) == 2 else told[0] for key, told in typed.items()}
    return from_entry(car, entered, begun)


def test_read_back_they_give_the_same_stress_verdict(tmp_path: Path) -> None:
    begun = with_values(load_car("trials"), {"entry_form": FORM})
    found = tune(begun, budget="quick", law="pi").car
    path = tmp_path / "sheet.json"
    write_sheet(make_sheet(found), path)
    again = typed_in(begun, path, begun.feedback)
    printed = {row["key"] for row in json.loads(path.read_text())["settings"]}
    assert printed > {"gain_steps_per_100rpm", "deadband_rpm", "trim_limit_steps"}
    one, other = stress(found), stress(with_values(begun, {"feedback": again.model_dump()}))
    assert one.counts == other.counts
    assert [case.verdict for case in one.cases] == [case.verdict for case in other.cases]
    assert one.lines() == other.lines()


def test_a_sheet_warns_of_settings_that_hunt() -> None:
    car = load_car("trials")
    sheet = make_sheet(car)
    assert sheet.expected.prediction.hunting_share > 0.2
    chance = sheet.expected.prediction.hunting
    assert chance.hunting == round(chance.runs * sheet.expected.prediction.hunting_share)
    words = {"hunts": "These settings hunt.", "may hunt": "These settings may hunt."}
    assert sheet.cautions[0][0] == words[chance.answer]
    assert in_words(chance.text) in sheet.cautions[0][1]
    assert "Hunting is part of that" in sheet.watch[0]
    assert [one.title for one in sheet.steps][4:] == ["Stop here"], "no feedback with settings that hunt"
    finer = with_values(car, {"feedback": {"min_move_steps": 1, "deadband_rpm": 45.0}})
    calm = make_sheet(finer)
    assert calm.expected.prediction.hunting_share < 0.1
    assert calm.cautions[-len(CAUTIONS) :] == CAUTIONS
    doubts = calm.cautions[: -len(CAUTIONS)]
    assert [title for title, _ in doubts] == ["These settings are doubtful."] * len(calm.expected.doubts)
    assert all("hunts" not in text for _, text in doubts)
    assert "A regular swing above is hunting" in calm.watch[0]
    assert [one.title for one in calm.steps][4] == "Narrow trim limits, warm"
    assert calm.steps[:4] == make_sheet(with_values(finer, {"feedback": {"law": "none"}})).steps[:4]


def test_a_sheet_marks_what_no_log_showed_and_says_how_sure_its_numbers_are() -> None:
    saw = {"basis": "fitted", "fit_verdict": "trusted", "fitted_steps": [10, 24], "fitted_degC": [62, 92]}
    sheet = make_sheet(with_values(load_car("trials"), {"car": saw}))
    assert "Its logs show 10 to 24 steps, at 62 to 92 °C: beyond that the model guesses" in sheet.made
    marked = [(row.coolant_degC, row.base_steps) for row in sheet.curves if UNSEEN in row.advice]
    assert marked == [
        (row.coolant_degC, row.base_steps)
        for row in sheet.curves
        if row.coolant_degC < 57.0 or row.base_steps > 27.0
    ]
    assert 0 < len(marked) < len(sheet.curves)
    low, high = sheet.expected.worth_rpm
    assert 0.0 < low < sheet.curves[-1].rpm_per_step < high
    assert f"{low:.0f} to {high:.0f} rpm" in sure_note(sheet)
    assert "extrapolated" in sure_note(sheet)
    assert "settings, counts, means or limits and have none" in sure_note(sheet)
    *_, steps = (line.split(",") for line in sheet_csv(sheet).splitlines() if line.startswith("expected,"))
    assert steps[2] == span(sheet.expected.rows[-1].low, sheet.expected.rows[-1].high, steps[3])
    given = replace(sheet, curves=tuple(replace(row, advice="keep") for row in sheet.curves))
    assert "extrapolated" not in sure_note(given)


@pytest.mark.parametrize(("name", "told"), [("trials", "coolant"), ("twin", "cylinder head")])
def test_the_curves_say_what_their_temperature_is_of(name: str, told: str) -> None:
    sheet = make_sheet(load_car(name))
    assert curve_table(sheet).columns[0] == f"{told} °C"
    assert curve_table(sheet, imperial=True).columns[0] == f"{told} °F"
