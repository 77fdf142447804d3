"""Cycles followed update by update on the linear engine, against simulations of the whole car."""

from __future__ import annotations

from typing import Any

import pytest

from sim import Car, load_car, with_values
from tuning.explanation.cycle import CycleView, cycle_view
from tuning.explanation.ends import ends_of
from tuning.explanation.followed_cycles import followed_cycle
from tuning.explanation.runs import even_phases, run_phases, without_scatter
from tuning.loop.point import idle_point

PI = {"law": "pi", "gain_steps_per_100rpm": 1.0, "integral_steps_per_100rpm_s": 2.0}
CASES: dict[str, dict[str, Any]] = {
    "slow updates": {**PI, "deadband_rpm": 8.0, "min_move_steps": 4, "update_period_ms": 500.0},
    "quick kicks": {
        "law": "pi", "gain_steps_per_100rpm": 5.5, "integral_steps_per_100rpm_s": 4.4,
        "deadband_rpm": 35.0, "min_move_steps": 4, "update_period_ms": 500.0,
    },
    "derivative": {
        **PI, "law": "pid", "derivative_steps_s_per_100rpm": 0.3, "deadband_rpm": 8.0,
        "min_move_steps": 4, "update_period_ms": 200.0,
    },
    "nudge": {"law": "nudge", "deadband_rpm": 10.0, "min_move_steps": 4, "update_period_ms": 300.0},
}  # fmt: skip


def quiet_car(**feedback: Any) -> Car:
    """The trials car without scatter."""
    wide = {"trim_limit_steps": (-25.0, 30.0), **feedback}
    return without_scatter(with_values(load_car("trials"), {"feedback": wide}))


def seen_and_followed(car: Car) -> CycleView:
    """Cycles by theory and by simulation from six phases."""
    point = idle_point(car)
    assert point is not None
    phases = even_phases(car, point, 6)
    ends = ends_of(run_phases([car], phases, coolant_degC=point.coolant_degC))
    return cycle_view(car, point, phases, ends, 0.5)


@pytest.mark.parametrize("name", CASES)
def test_the_followed_cycle_is_the_simulated_one(name: str) -> None:
    view = seen_and_followed(quiet_car(**CASES[name]))
    assert view.seen is not None
    assert view.predicted is not None
    assert view.predicted.kind == "followed"
    assert view.period_ratio == pytest.approx(1.0, abs=0.03)
    assert view.swing_ratio == pytest.approx(1.0, abs=0.05)
    assert view.predicted.low_s + view.predicted.high_s == view.predicted.period_s


def test_kicks_larger_than_the_minimum_are_followed() -> None:
    # The continuous wave knows moves of the minimum only.
    view = seen_and_followed(quiet_car(**CASES["quick kicks"]))
    assert view.seen is not None
    assert view.seen.largest_move_steps > 4.0


def test_a_loop_that_rests_and_one_without_feedback_have_no_cycle() -> None:
    rests = quiet_car(**{**CASES["slow updates"], "deadband_rpm": 50.0})
    point = idle_point(rests)
    assert point is not None
    place = round(point.needed_steps)
    assert followed_cycle(rests, point, point.rpm, (place, place)) is None
    off = seen_and_followed(quiet_car(law="none"))
    assert off.seen is None
    assert off.predicted is None
