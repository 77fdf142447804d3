"""The contract every law passes, one suite for all: limits, wind-up, deadband, rounding, moves."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from controllers import LAWS, Curves, Feedback, make_controller
from controllers.controller import Controller
from tests.shell_reference import ControlledPlan, ValveLimit

TARGET_rpm, BASE_steps = 800.0, 20.0
ACTING = sorted(set(LAWS) - {"none"})


def controller(law: str, base: float = BASE_steps, **changes: Any) -> Controller:
    """A controller with strong gains, flat curves, and trim limits of -6 to 9 steps."""
    values: dict[str, Any] = {
        "law": law,
        "gain_steps_per_100rpm": 4.0,
        "integral_steps_per_100rpm_s": 10.0,
        "derivative_steps_s_per_100rpm": 0.2,
        "deadband_rpm": 20.0,
        "min_move_steps": 1,
        "update_period_ms": 100.0,
        "trim_limit_steps": (-6.0, 9.0),
        "enable_above_target_rpm": 400.0,
        "rpm_per_step": 20.0,
    }
    flat = Curves(
        target_rpm=((0.0, TARGET_rpm), (100.0, TARGET_rpm)),
        base_steps=((0.0, base), (100.0, base)),
        cranking_steps=((0.0, 50.0), (100.0, 50.0)),
        after_start_steps=((0.0, 5.0), (100.0, 5.0)),
    )
    return make_controller(ControlledPlan(Feedback.model_validate(values | changes), flat, ValveLimit(70.0)))


def drive(made: Controller, speeds: list[float], start: int = 0) -> list[int]:
    """One update for each speed."""
    return [made.step(0.1 * (start + n), rpm, 90.0, True) for n, rpm in enumerate(speeds)]


def test_every_law_has_a_code_of_its_own() -> None:
    assert set(LAWS) == {"none", "pi", "pid", "nudge", "pi_park"}
    assert len({law.code for law in LAWS.values()}) == len(LAWS)
    assert [law.name for law in LAWS.values()] == list(LAWS)


@pytest.mark.parametrize("law", ACTING)
def test_trim_acts_in_the_right_direction_and_stays_within_its_limits(law: str) -> None:
    slow, fast = controller(law), controller(law)
    opened, shut = drive(slow, [600.0] * 60), drive(fast, [1000.0] * 60)
    assert opened[-1] == BASE_steps + 9
    assert shut[-1] == BASE_steps - 6
    assert max(opened) <= BASE_steps + 9
    assert min(shut) >= BASE_steps - 6
    assert slow.trim_steps == 9.0
    assert fast.trim_steps == -6.0


@pytest.mark.parametrize("law", ACTING)
def test_nothing_winds_up_beyond_the_limits(law: str) -> None:
    made = controller(law)
    drive(made, [600.0] * 1000)
    # From the limit the trim must come back at the first updates on the other side: 100 rpm too
    # fast for two seconds take off at least 2 s * 10 steps/s at 100 rpm, or 20 nudges.
    told = drive(made, [900.0] * 20, start=1000)
    assert told[-1] == BASE_steps - 6
    assert told[1] < BASE_steps + 9


@pytest.mark.parametrize("law", ACTING)
@pytest.mark.parametrize("error", [-20.0, -5.0, 0.0, 20.0])
def test_within_the_deadband_nothing_happens(law: str, error: float) -> None:
    made = controller(law)
    told = drive(made, [TARGET_rpm - error] * 100)
    assert set(told) == {BASE_steps}
    assert made.trim_steps == 0.0


@pytest.mark.parametrize("law", ACTING)
def test_a_trim_once_found_is_kept_within_the_deadband(law: str) -> None:
    made = controller(law)
    drive(made, [700.0] * 4)
    drive(made, [TARGET_rpm] * 2, start=4)
    held = made.trim_steps
    assert held > 0.0
    drive(made, [TARGET_rpm + 15.0, TARGET_rpm - 15.0] * 50, start=6)
    assert made.trim_steps == held


@pytest.mark.parametrize("law", ACTING)
def test_commands_are_whole_steps_within_the_valve(law: str) -> None:
    made = controller(law, base=3.3, trim_limit_steps=(-50.0, 100.0))
    told = drive(made, [400.0] * 200)
    assert max(told) == 70
    told = drive(made, [1150.0] * 400, start=200)
    assert min(told) == 0
    assert all(isinstance(steps, int) for steps in told)


@pytest.mark.parametrize("law", ACTING)
@pytest.mark.parametrize("least", [2, 3, 5])
def test_no_move_is_smaller_than_the_minimum(law: str, least: int) -> None:
    made = controller(law, min_move_steps=least, rpm_per_step=5.0, nudge_steps=1)
    speeds = [760.0, 765.0, 770.0, 840.0, 830.0] * 8 + [700.0] * 20 + [905.0] * 20
    told = drive(made, speeds)
    moves = [abs(b - a) for a, b in pairwise(told) if a != b]
    assert moves
    assert min(moves) >= least


def test_none_follows_the_base_curve_only() -> None:
    made = controller("none")
    assert set(drive(made, [500.0, 1100.0, 800.0] * 20)) == {BASE_steps}
    assert made.trim_steps == 0.0


def test_nudge_adds_whole_nudges_whatever_the_error() -> None:
    made = controller("nudge", nudge_steps=2)
    assert drive(made, [779.0, 500.0, 779.0, 790.0]) == [22, 24, 26, 26]
    assert drive(made, [821.0, 1100.0], start=4) == [24, 22]


def test_pid_brakes_a_fall_and_a_rise() -> None:
    plain, braked = controller("pi"), controller("pid")
    falling = [800.0, 760.0, 720.0]
    assert drive(braked, falling)[-1] <= BASE_steps + 9
    drive(plain, falling)
    # 40 rpm in 0.1 s against 0.2 steps s per 100 rpm: 0.8 steps more.
    assert braked.trim_steps == pytest.approx(plain.trim_steps + 0.8)
    rising = [740.0]
    drive(plain, rising, start=3)
    drive(braked, rising, start=3)
    assert braked.trim_steps == pytest.approx(plain.trim_steps - 0.4)


def test_pi_park_rests_where_no_move_can_help() -> None:
    # A move of 3 steps at 20 rpm each: within 1.1 * 30 rpm no position is better.
    parked = controller("pi_park", min_move_steps=3)
    assert set(drive(parked, [768.0] * 200)) == {BASE_steps}
    assert parked.trim_steps == 0.0
    assert drive(parked, [766.0] * 200, start=200)[-1] > BASE_steps
    plain = controller("pi", min_move_steps=3)
    assert drive(plain, [768.0] * 200)[-1] > BASE_steps
