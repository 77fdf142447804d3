"""What a car lacks where its settings are not acceptable: told from runs, and enough when it is given."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from controllers import Feedback
from sim import load_car, with_values
from tuning.ensemble import VERDICT
from tuning.loop import WARM_degC, base_position, needed_steps
from tuning.search.judge import Judge
from tuning.search.lacking import lacking
from tuning.search.objective import Weights
from tuning.search.searching import tune
from tuning.search.tuned import Tuning
from workbench.words.search import tune_finding
from workbench.words.wording import in_words

CAR = load_car("trials")
FOUND = CAR.feedback.model_copy(
    update={
        "gain_steps_per_100rpm": 1.5, "integral_steps_per_100rpm_s": 2.5, "deadband_rpm": 35.0,
        "min_move_steps": 1, "update_period_ms": 60.0, "trim_limit_steps": (-9.0, 13.0),
        "enable_above_target_rpm": 270.0,
    }
)  # fmt: skip
"""About the best that PI does on this car without steps for known loads."""


@cache
def judge() -> Judge:
    return Judge(CAR, Weights(), cars=16, seeds=4, seed=21, purpose=VERDICT)


def found_by(settings: Feedback) -> dict[str, dict[str, Any]]:
    (own,) = judge().scores([settings])
    return {one.code: dict(one.values) for one in lacking(settings, own, judge())}


def test_the_loads_that_are_late_and_the_air_they_need_are_told() -> None:
    loads = found_by(FOUND)["search.lacking.loads"]
    (own,) = judge().scores([FOUND])
    assert loads["all_percent"] == 100.0 * max(own.acceptance.by_load[2:]) > 10.0
    assert loads["lamps_percent"] < loads["all_percent"]
    assert loads["all_W"] == pytest.approx(190.0 * 1.3)
    assert loads["lamps_W"] == pytest.approx(90.0 * 1.3)
    need = needed_steps(CAR, 880.0, WARM_degC, loads["all_W"]) - base_position(CAR)
    assert loads["least_steps"] < need < loads["most_steps"]
    assert loads["trim_steps"] == 13.0
    assert loads["beyond_percent"] == 0.0


def test_steps_for_known_loads_are_advised_where_they_leave_fewer_that_fail() -> None:
    told = found_by(FOUND)["search.lacking.feed_forward"]
    steps = told["load_steps_per_100W"]
    given = FOUND.model_copy(update={"load_steps_per_100W": steps})
    before, after = (one.acceptance.told_share for one in judge().scores([FOUND, given]))
    assert told["left_percent"] == 100.0 * after <= 75.0 * before
    carries = (
        100.0 * (needed_steps(CAR, 880.0, WARM_degC, 247.0) - needed_steps(CAR, 880.0, WARM_degC)) / 247.0
    )
    assert 0.45 * carries < steps < 0.85 * carries


def test_who_has_such_steps_is_not_told_to_have_them() -> None:
    assert "search.lacking.feed_forward" not in found_by(
        FOUND.model_copy(update={"load_steps_per_100W": 6.0})
    )


@cache
def tuned(load_steps_per_100W: float, budget: str) -> Tuning:
    car = with_values(CAR, {"feedback": {"load_steps_per_100W": load_steps_per_100W}})
    return tune(car, law="pi", budget=budget)


def test_a_search_says_what_is_lacking_and_finds_what_does_once_it_is_there() -> None:
    without = tuned(0.0, "quick")
    assert not without.predicted_score.acceptance.is_met
    said = next(one for one in without.notes if one.code == "search.not_acceptable")
    values: dict[str, Any] = dict(said.values)
    inner = {one.code: one for one in values["lacks"]}
    steps = inner["search.lacking.feed_forward"]["load_steps_per_100W"]
    words = in_words(said)
    assert f"load_steps_per_100W = {steps:g} into the car file and search again." in words
    assert "No set compared is acceptable" not in words
    assert tune_finding(without).startswith("Better, but not acceptable yet. With the ")
    found = tuned(steps, "normal")
    assert found.predicted_score.acceptance.is_met
    assert tune_finding(found).startswith("With the ")
    assert found.predicted_score.total < 0.7 * without.predicted_score.total
    assert not any(one.code == "search.not_acceptable" for one in found.notes)
    entered = found.settings.load_steps_per_100W
    assert entered == round(entered, 1), "steps that somebody would type"
    loads, most_steps = inner["search.lacking.loads"], found.settings.trim_limit_steps[1]
    assert most_steps <= without.settings.trim_limit_steps[1] < loads["most_steps"]
    assert most_steps + entered * loads["all_W"] / 100.0 > loads["most_steps"], (
        "together they carry all loads"
    )
