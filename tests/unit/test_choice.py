"""From the best few of a search to one: those compared differ, and what hunts is not taken."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controllers import Feedback
from sim import load_car
from tuning.ensemble.plausible import SEARCH
from tuning.search.choice import LOUD, LOUD_MOST, LOUD_SHARE, finalists, loud_rpm
from tuning.search.judge import Judge
from tuning.search.objective import STRICT
from tuning.search.space import make_space
from tuning.search.start_points import start_points, step_model
from tuning.search.weights import weights_of

SPACE = make_space(load_car("trials"), ("pi", "pid"))
PI = SPACE.feedback("pi", SPACE.values_of(SPACE.car.feedback))


def changed(**values: object) -> Feedback:
    """The car's settings with some numbers replaced."""
    return PI.model_copy(update=values)


def test_trim_limits_alone_make_no_other_finalist() -> None:
    wide = changed(trim_limit_steps=(-24.0, 58.0))
    quick = changed(update_period_ms=300.0)
    assert finalists([(100.0, PI), (101.0, wide), (102.0, quick)], SPACE, 3) == [PI, quick]


def test_the_best_of_a_law_that_is_near_comes_in_and_of_one_that_is_far_does_not_first() -> None:
    pid = changed(law="pid", derivative_steps_s_per_100rpm=1.0)
    quick = changed(update_period_ms=300.0)
    near = [(100.0, PI), (101.0, quick), (109.0, pid)]
    assert finalists(near, SPACE, 2) == [PI, pid]
    far = [(100.0, PI), (101.0, quick), (120.0, pid)]
    assert finalists(far, SPACE, 2) == [PI, quick]


def test_leading_start_points_have_a_deadband_of_a_move_or_less() -> None:
    model = step_model(SPACE.car)
    assert model is not None
    leads = {name: one for name, one in start_points(SPACE, 12.0).items() if "lead" in name}
    assert len(leads) == 7
    for one in leads.values():
        assert one.law == "pid"
        # Derivative worth two fifths of the lag: that of the valve's step, in the simulator.
        lead_s = one.derivative_steps_s_per_100rpm / 100.0 * model.gain_rpm_per_step
        assert abs(lead_s - 0.4 * model.time_constant_s) < 0.02
        worth = one.deadband_rpm / one.min_move_steps
        assert worth == 0.0 or 7.0 < worth < 25.0


def test_hunting_that_would_be_told_as_hunting_costs_far_more_than_it_scores() -> None:
    judge = Judge(
        load_car("trials"), weights_of("balanced"), cars=2, seeds=2, seed=0, purpose=SEARCH,
        limits=STRICT,
    )  # fmt: skip
    (score,) = judge.scores([PI])
    floor_rpm = float(np.mean(judge.runs.floor))

    def loud(share: float) -> float:
        hunting = {"hunting": share * floor_rpm}
        return loud_rpm(replace(score, measured=dict(score.measured) | hunting), judge)

    assert loud(0.0) == loud(LOUD_SHARE - 0.01) == 0.0
    assert loud(LOUD_SHARE + 0.02) == pytest.approx(LOUD * 0.02 * floor_rpm)
    assert loud(LOUD_SHARE + 5.0) == pytest.approx(LOUD_MOST * score.total)
