"""make_controller: one object, one call an update, at whatever rate it is called."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controllers import Curves, Feedback, TICKS_PER_s, make_controller
from sim import Scenario, load_car, simulate
from tests.shell_reference import ControlledPlan, ReferenceController, ValveLimit

PERIOD_s = 0.1


def plan(**changes: Any) -> ControlledPlan:
    """PI on flat curves."""
    values: dict[str, Any] = {
        "law": "pi",
        "gain_steps_per_100rpm": 3.0,
        "integral_steps_per_100rpm_s": 5.0,
        "deadband_rpm": 10.0,
        "min_move_steps": 1,
        "update_period_ms": 1000.0 * PERIOD_s,
        "trim_limit_steps": (-12.0, 15.0),
        "enable_above_target_rpm": 400.0,
        "entry_extra_steps": 6.0,
        "entry_fade_s": 1.0,
    }
    flat = Curves(
        target_rpm=((0.0, 1000.0), (80.0, 800.0)),
        base_steps=((0.0, 45.0), (80.0, 15.0)),
        cranking_steps=((0.0, 50.0), (80.0, 40.0)),
        after_start_steps=((0.0, 5.0), (80.0, 5.0)),
    )
    return ControlledPlan(Feedback.model_validate(values | changes), flat, ValveLimit(70.0))


def speed(t_s: float) -> float:
    """A speed that wanders about the target."""
    return 800.0 + 60.0 * math.sin(1.3 * t_s) + 40.0 * math.sin(3.1 * t_s + 1.0)


@settings(max_examples=100)
@given(st.lists(st.floats(1e-4, 0.0999), min_size=20, max_size=300), st.floats(-1e3, 1e6))
def test_called_faster_than_its_period_it_updates_on_its_period(gaps: list[float], begun_s: float) -> None:
    # However the calls fall, updates happen at the first call at or after each multiple of the
    # period since the first call, and between them the command stands.
    begun_s = round(begun_s, 6)
    made, reference = make_controller(plan()), ReferenceController(plan())
    updates, since_ticks = 0, 0
    told = None
    for gap in [0.0, *gaps]:
        since_ticks += round(gap * TICKS_PER_s)
        t_s = begun_s + since_ticks / TICKS_PER_s
        seen_ticks = round(t_s * TICKS_PER_s) - round(begun_s * TICKS_PER_s)
        told_before, told = told, made.step(t_s, speed(since_ticks / TICKS_PER_s), 90.0, True)
        if seen_ticks >= updates * round(PERIOD_s * TICKS_PER_s):
            rpm = speed(since_ticks / TICKS_PER_s)
            expected = reference.update(seen_ticks / TICKS_PER_s, rpm, 90.0, True)
            updates = seen_ticks // round(PERIOD_s * TICKS_PER_s) + 1
            assert told == expected
        else:
            assert told == told_before


@given(st.floats(0.101, 5.0), st.integers(5, 60))
def test_called_slower_than_its_period_each_call_is_one_update(gap_s: float, calls: int) -> None:
    made = make_controller(plan(gain_steps_per_100rpm=0.0, entry_extra_steps=0.0))
    for count in range(calls):
        made.step(count * gap_s, 700.0, 90.0, True)
    # 5 steps per 100 rpm and second, 0.1 s an update.
    assert made.trim_steps == pytest.approx(min(0.5 * calls, 15.0))


@pytest.mark.parametrize("begun_s", [0.0, 17.3, 86400.0, 1e6, -50.0])
def test_only_time_since_the_first_call_counts(begun_s: float) -> None:
    early, late = make_controller(plan()), make_controller(plan())
    for count in range(400):
        t_s = count * 0.013
        assert early.step(t_s, speed(t_s), 60.0, True) == late.step(begun_s + t_s, speed(t_s), 60.0, True)


def test_feedback_rests_while_the_throttle_is_open() -> None:
    made = make_controller(plan(entry_extra_steps=0.0))
    for count in range(20):
        made.step(count * PERIOD_s, 700.0, 90.0, True)
    held = made.trim_steps
    told = {made.step(count * PERIOD_s, 700.0, 90.0, False) for count in range(20, 60)}
    assert made.trim_steps <= held
    assert len(told) == 1
    after = made.step(6.0, 700.0, 90.0, True)
    assert after >= min(told)


def test_idle_entry_adds_air_and_fades_it() -> None:
    made = make_controller(plan(law="none"))
    assert made.step(0.0, 2000.0, 90.0, True) == 15
    assert made.step(0.1, 2000.0, 90.0, False) == 21
    told = [made.step(0.2 + 0.1 * count, 1500.0, 90.0, True) for count in range(15)]
    assert told[0] == 21
    assert told[-1] == 15
    assert all(later <= earlier for earlier, later in pairwise(told))
    # 6 steps in 1 s: halfway after half a second.
    assert told[5] == 18


def test_the_curves_follow_the_coolant_measured() -> None:
    made = make_controller(plan(law="none", entry_extra_steps=0.0))
    told = [made.step(0.1 * n, 900.0, degC, True) for n, degC in enumerate([-30.0, 0, 40, 80, 120])]
    assert told == [45, 45, 30, 15, 15]


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=50), st.floats(-300, 2000))
def test_any_finite_measurement_is_answered_with_a_position_of_the_valve(
    speeds: list[float], coolant_degC: float
) -> None:
    made = make_controller(plan())
    for count, rpm in enumerate(speeds):
        told = made.step(count * 0.05, rpm, coolant_degC, count % 3 > 0)
        assert isinstance(told, int)
        assert 0 <= told <= 70
        assert -12.0 <= made.trim_steps <= 15.0


@pytest.mark.parametrize("bad", [(math.nan, 800.0, 90.0), (0.0, math.inf, 90.0), (0.0, 800.0, -math.inf)])
def test_what_is_no_number_is_refused(bad: tuple[float, float, float]) -> None:
    made = make_controller(plan())
    with pytest.raises(ValueError, match="finite"):
        made.step(*bad, True)
    assert made.step(0.0, 800.0, 90.0, True) == 15


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
def test_the_object_tells_what_the_simulation_s_controller_tells(name: str) -> None:
    # The same controller, fed the simulation's own measurements at its own update times.
    car = load_car(name)
    trace = simulate(car, Scenario(name="idle", duration_s=12.0), rpm_offset=120.0)
    made = make_controller(car)
    times_s = [event.time_s for event in trace.events if event.name == "controller update"]
    assert len(times_s) > 50
    for t_s in times_s:
        # At the tick of an update the firing of the same tick, if any, comes first.
        row = int(trace.time_s.searchsorted(t_s - 5e-10, side="left"))
        before = row - 1 if row > 0 else 0
        rows = [i for i in range(row, len(trace.time_s)) if trace.time_s[i] <= t_s + 5e-10]
        told = made.step(t_s, float(trace.rpm[rows[-1] if rows else before]), 90.0, True)
        assert told == trace.valve_steps[rows[-1]]
