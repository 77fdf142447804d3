"""The shell around the laws does exactly what the contract of table [feedback] says."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controllers import (
    MEMORY_FIELDS,
    NEVER,
    SETTINGS_FIELDS,
    Curves,
    Feedback,
    TICKS_PER_s,
    idle_spark_trim,
    make_controller,
    open_loop_steps,
)
from controllers.records import new_block
from controllers.shell import clamp, fading, tell_valve
from controllers.shell import update as plain_update
from tests.shell_reference import ControlledPlan, ReferenceController, ValveLimit

LAWS = ["none", "pi", "pid", "nudge", "pi_park"]


def feedback(**changes: Any) -> Feedback:
    """PI with round numbers, some of them changed."""
    values: dict[str, Any] = {
        "law": "pi",
        "gain_steps_per_100rpm": 0.0,
        "integral_steps_per_100rpm_s": 0.0,
        "deadband_rpm": 0.0,
        "min_move_steps": 1,
        "update_period_ms": 100.0,
        "trim_limit_steps": (-10.0, 10.0),
        "enable_above_target_rpm": 400.0,
    }
    return Feedback.model_validate(values | changes)


def curves(base: float = 20.0, target: float = 800.0) -> Curves:
    """Flat curves."""
    return Curves(
        target_rpm=((0.0, target), (100.0, target)),
        base_steps=((0.0, base), (100.0, base)),
        cranking_steps=((0.0, 50.0), (100.0, 50.0)),
        after_start_steps=((0.0, 5.0), (100.0, 5.0)),
    )


def plan(base: float = 20.0, open_limit: float = 70.0, **changes: Any) -> ControlledPlan:
    """A controlled car with flat curves."""
    return ControlledPlan(feedback(**changes), curves(base), ValveLimit(open_limit))


@st.composite
def plans(draw: Any) -> ControlledPlan:
    """Any settings of any law, on sloping curves."""
    low, high = sorted((draw(st.floats(-30, 30)), draw(st.floats(-30, 30))))
    settings_ = feedback(
        law=draw(st.sampled_from(LAWS)),
        gain_steps_per_100rpm=draw(st.sampled_from([0.0, 1.0, 2.5, 25.0, 500.0])),
        integral_steps_per_100rpm_s=draw(st.floats(0, 50)),
        derivative_steps_s_per_100rpm=draw(st.floats(0, 10)),
        deadband_rpm=draw(st.sampled_from([0.0, 10.0, 25.0, 100.0])),
        min_move_steps=draw(st.integers(1, 8)),
        update_period_ms=draw(st.sampled_from([10.0, 33.3, 100.0, 250.0])),
        trim_limit_steps=(low, high),
        enable_above_target_rpm=draw(st.sampled_from([0.0, 100.0, 400.0])),
        nudge_steps=draw(st.integers(1, 5)),
        rpm_per_step=draw(st.floats(0.5, 50)),
        entry_extra_steps=draw(st.sampled_from([0.0, 4.0, 7.5])),
        entry_fade_s=draw(st.sampled_from([0.05, 0.5, 2.0])),
    )
    sloping = Curves(
        target_rpm=((-10.0, 1200.0), (40.0, 900.0), (80.0, 800.0)),
        base_steps=((0.0, draw(st.floats(10, 80))), (30.0, 25.0), (70.0, draw(st.floats(0, 20)))),
        cranking_steps=((0.0, 60.0), (80.0, 40.0)),
        after_start_steps=((0.0, 10.0), (80.0, 4.0)),
    )
    return ControlledPlan(settings_, sloping, ValveLimit(draw(st.sampled_from([15.0, 40.0, 70.0]))))


MEASUREMENTS = st.lists(
    st.tuples(
        st.one_of(st.floats(0, 2500), st.sampled_from([775.0, 800.0, 825.0, 900.0, 1200.0])),
        st.one_of(st.floats(-20, 110), st.just(90.0)),
        st.sampled_from([True, True, True, False]),
    ),
    min_size=5,
    max_size=60,
)


@settings(max_examples=150)
@given(plans(), MEASUREMENTS)
def test_any_law_follows_the_reference_exactly(
    controlled: ControlledPlan, measurements: list[tuple[float, float, bool]]
) -> None:
    controller, reference = make_controller(controlled), ReferenceController(controlled)
    period_s = round(controlled.feedback.update_period_ms * 1e6) / 1e9
    for count, (rpm, coolant_degC, closed) in enumerate(measurements):
        t_s = count * period_s
        told = controller.step(t_s, rpm, coolant_degC, closed)
        assert told == reference.update(t_s, rpm, coolant_degC, closed)
        assert controller.trim_steps == pytest.approx(reference.trim, abs=1e-9)


def first_step(rpm: float, **changes: Any) -> int:
    """What one update at a speed makes of base 20 and target 800."""
    return make_controller(plan(**changes)).step(0.0, rpm, 50.0, True)


@pytest.mark.parametrize(
    ("base", "rpm", "told"),
    [
        (20.0, 800.0, 20),  # no error
        (20.0, 750.0, 21),  # 0.5 steps: half is rounded up
        (20.0, 751.0, 20),  # 0.49
        (20.0, 850.0, 20),  # -0.5: up again, to 20
        (20.0, 851.0, 19),  # -0.51
        (20.5, 800.0, 21),
        (0.5, 900.0, 0),  # -0.5 in all: up, to 0
    ],
)
def test_half_steps_are_rounded_up(base: float, rpm: float, told: int) -> None:
    assert first_step(rpm, base=base, gain_steps_per_100rpm=1.0) == told


@pytest.mark.parametrize(("rpm", "told"), [(780.0, 20), (779.0, 22), (820.0, 20), (821.0, 18), (800.0, 20)])
def test_an_error_at_the_deadband_is_none(rpm: float, told: int) -> None:
    # 10 steps per 100 rpm: 21 rpm make 2.1 steps; 20 rpm are at the deadband.
    assert first_step(rpm, gain_steps_per_100rpm=10.0, deadband_rpm=20.0) == told


def test_wanted_steps_stay_within_the_valve() -> None:
    wide = {"gain_steps_per_100rpm": 100.0, "trim_limit_steps": (-400.0, 400.0)}
    assert first_step(200.0, open_limit=40.0, **wide) == 40
    assert first_step(1100.0, **wide) == 0


@pytest.mark.parametrize(("rpm", "told"), [(770.0, 20), (760.0, 24), (830.0, 20), (840.0, 16)])
def test_moves_below_the_minimum_are_not_made(rpm: float, told: int) -> None:
    assert first_step(rpm, gain_steps_per_100rpm=10.0, min_move_steps=4) == told


def test_small_errors_add_up_to_a_minimum_move() -> None:
    controller = make_controller(plan(integral_steps_per_100rpm_s=10.0, min_move_steps=3))
    told = [controller.step(0.1 * count, 790.0, 50.0, True) for count in range(40)]
    # 0.1 steps an update: 2.5 is rounded up to 3 at the 25th.
    assert told.index(23) in (24, 25)
    assert set(told) == {20, 23}


def test_feedback_rests_while_the_throttle_is_open_or_speed_is_high() -> None:
    controller = make_controller(plan(integral_steps_per_100rpm_s=100.0))
    for count in range(10):
        controller.step(0.1 * count, 790.0, 50.0, True)
    held = controller.trim_steps
    assert held == pytest.approx(10.0)
    for count in range(10, 20):
        controller.step(0.1 * count, 1100.0, 50.0, False)
    for count in range(20, 30):
        controller.step(0.1 * count, 1200.0, 50.0, True)  # at target + 400: not below it
    assert controller.trim_steps == held
    controller.step(3.0, 1199.0, 50.0, True)
    assert controller.trim_steps < held


def test_proportional_action_is_not_held_while_resting() -> None:
    controller = make_controller(plan(gain_steps_per_100rpm=5.0))
    assert controller.step(0.0, 700.0, 50.0, True) == 25
    assert controller.step(0.1, 700.0, 50.0, False) == 20


def test_clamp_and_fading() -> None:
    assert [clamp(value, -1.0, 2.0) for value in (-3.0, 0.5, 7.0)] == [-1.0, 0.5, 2.0]
    assert fading(8.0, 0.0, 10.0) == 8.0
    assert fading(8.0, 5.0, 10.0) == 4.0
    assert fading(8.0, 25.0, 10.0) == 0.0
    assert fading(8.0, -1.0, 10.0) == 0.0


def open_loop_blocks() -> tuple[Any, Any]:
    """Settings and memory of a running engine: base 20, after-start 10 steps over 20 s."""
    c, k = new_block(SETTINGS_FIELDS, 1), new_block(MEMORY_FIELDS, 1)
    c.after_fade_ticks[0], c.entry_fade_ticks[0] = 20.0 * TICKS_PER_s, 2.0 * TICKS_PER_s
    c.load_steps_per_W[0], c.aircon_steps[0] = 0.02, 5.0
    c.spark_deg_per_rpm[0], c.spark_limit_deg[0] = 0.05, 4.0
    k.base_steps[0], k.after_steps[0], k.cranking_steps[0] = 20.0, 10.0, 45.0
    k.throttle_closed[0], k.closed_tick[0], k.target_rpm[0] = 1.0, -1e13, 800.0
    return c, k


def test_air_known_in_advance_is_added_to_the_base() -> None:
    c, k = open_loop_blocks()
    k.started_tick[0] = -1e13
    assert open_loop_steps(c, k, 0, 0.0) == 20.0
    k.load_W[0] = 150.0
    assert open_loop_steps(c, k, 0, 0.0) == 23.0
    k.aircon_on[0] = 1.0
    assert open_loop_steps(c, k, 0, 0.0) == 28.0


def test_after_start_air_fades_and_cranking_has_its_own_curve() -> None:
    # After-start air fades over some 20 s: common practice, no source.
    c, k = open_loop_blocks()
    k.started_tick[0] = NEVER
    assert open_loop_steps(c, k, 0, 0.0) == 45.0
    k.started_tick[0] = 1.0 * TICKS_PER_s
    told = [open_loop_steps(c, k, 0, t_s * TICKS_PER_s) for t_s in (1.0, 6.0, 11.0, 21.0, 60.0)]
    assert told == [30.0, 27.5, 25.0, 20.0, 20.0]


def test_spark_trim_advances_below_the_target_within_its_limit() -> None:
    c, k = open_loop_blocks()
    told = [idle_spark_trim(c, k, 0, rpm) for rpm in (800.0, 760.0, 500.0, 840.0, 1200.0)]
    assert told == [0.0, 2.0, 4.0, -2.0, -4.0]
    k.throttle_closed[0] = 0.0
    assert idle_spark_trim(c, k, 0, 500.0) == 0.0


def test_one_update_keeps_its_counts_by_hand() -> None:
    c, k = open_loop_blocks()
    k.started_tick[0], k.after_steps[0] = -100.0, 0.0
    c.law[0], c.gain_steps_per_rpm[0], c.trim_low_steps[0], c.trim_high_steps[0] = 1.0, 0.1, -5.0, 4.0
    c.open_limit_steps[0], c.min_move_steps[0], c.enable_above_rpm[0] = 70.0, 1.0, 400.0
    c.enable_delay_ticks[0], c.period_ticks[0], c.period_s[0], k.commanded_steps[0] = 100.0, 10.0, 0.1, 20.0
    kept = []
    # At the upper limit, back, at the lower limit, none, and with the throttle open.
    for rpm, closed in ((700.0, 1.0), (790.0, 1.0), (900.0, 1.0), (900.0, 1.0), (700.0, 0.0)):
        k.throttle_closed[0] = closed
        plain_update(c, k, 0, rpm, 0.0)
        names = ("wanted_steps", "commanded_steps", "moves", "reversals", "limited_updates", "enabled")
        kept.append(tuple(float(k[name][0]) for name in names))
    assert kept == [
        (24.0, 24.0, 1.0, 0.0, 1.0, 1.0),
        (21.0, 21.0, 2.0, 1.0, 1.0, 1.0),
        (15.0, 15.0, 3.0, 1.0, 2.0, 1.0),
        (15.0, 15.0, 3.0, 1.0, 3.0, 1.0),
        (20.0, 20.0, 4.0, 2.0, 3.0, 0.0),
    ]
    assert (k.updates[0], k.due_update[0]) == (5.0, 50.0)


def test_single_steps_to_and_fro_are_counted_as_reversals() -> None:
    """Found by ``tests.mutants``: larger moves alone had been counted."""
    c, k = open_loop_blocks()
    c.open_limit_steps[0], c.min_move_steps[0], k.commanded_steps[0] = 70.0, 1.0, 20.0
    for wanted in (21.0, 22.0, 21.0, 21.4, 22.0, 23.0):
        tell_valve(c, k, 0, wanted)
    assert (k.moves[0], k.reversals[0], k.commanded_steps[0]) == (5.0, 2.0, 23.0)
