"""A published engine that is not ours, held at its idle by make_controller.

The nonlinear engine of P. R. Crossley and J. A. Cook, "A nonlinear engine model for drivetrain
system development", IEE International Conference Control '91 (1991; title from memory), in the form
of widely published examples. Units are rad/s, bar, g/s, degrees of throttle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from controllers import Curves, Feedback, make_controller
from tests.shell_reference import ControlledPlan, ValveLimit

RPM_PER_rad_s = 30.0 / math.pi
AMBIENT_bar, RT_PER_V, INERTIA_kg_m2 = 1.0, 0.41328, 0.14
AIR_FUEL, SPARK_deg = 14.6, 15.0
THROTTLE_SHUT_deg, THROTTLE_deg_PER_STEP = 7.47, 0.06
VALVE_STEP_s, TICK_s = 0.005, 0.001


def air_in_g_s(throttle_deg: float, map_bar: float) -> float:
    """Air past the throttle."""
    opening = 2.821 + throttle_deg * (-0.05231 + throttle_deg * (0.10299 - 0.00063 * throttle_deg))
    if map_bar <= AMBIENT_bar / 2.0:
        return opening
    return opening * 2.0 / AMBIENT_bar * math.sqrt(max(map_bar * AMBIENT_bar - map_bar * map_bar, 0.0))


def air_out_g_s(speed: float, map_bar: float) -> float:
    """Air drawn by the cylinders."""
    product = speed * map_bar
    return -0.366 + product * (0.08979 - 0.0337 * map_bar + 0.0001 * speed)


def torque_Nm(charge_g: float, speed: float) -> float:
    """Torque of a charge."""
    return (
        -181.3 + 379.36 * charge_g + 21.91 * AIR_FUEL - 0.85 * AIR_FUEL**2
        + 0.26 * SPARK_deg - 0.0028 * SPARK_deg**2
        + 0.027 * speed - 0.000107 * speed**2 + 0.00048 * speed * SPARK_deg
        + 2.55 * SPARK_deg * charge_g - 0.05 * SPARK_deg**2 * charge_g
    )  # fmt: skip


def charge_g(speed: float, map_bar: float) -> float:
    """Air of one induction of a four-cylinder engine, half a revolution."""
    return air_out_g_s(speed, map_bar) * math.pi / speed


@dataclass(frozen=True)
class ForeignRun:
    """Speed and command each millisecond."""

    rpm: np.ndarray
    steps: np.ndarray


def plan(**changes: Any) -> ControlledPlan:
    """Feedback for a plant that is worth some 20 rpm a step."""
    values: dict[str, Any] = {
        "law": "pi",
        "gain_steps_per_100rpm": 1.5,
        "integral_steps_per_100rpm_s": 1.5,
        "deadband_rpm": 15.0,
        "min_move_steps": 1,
        "update_period_ms": 100.0,
        "trim_limit_steps": (-15.0, 15.0),
        "enable_above_target_rpm": 600.0,
        "rpm_per_step": 20.0,
    }
    flat = Curves(
        target_rpm=((0.0, 2000.0), (100.0, 2000.0)),
        base_steps=((0.0, 25.0), (100.0, 25.0)),
        cranking_steps=((0.0, 50.0), (100.0, 50.0)),
        after_start_steps=((0.0, 0.0), (100.0, 0.0)),
    )
    return ControlledPlan(Feedback.model_validate(values | changes), flat, ValveLimit(70.0))


def drive(controlled: ControlledPlan, duration_s: float, load_off_s: float) -> ForeignRun:
    """Heun's method at a millisecond; a charge makes torque half a revolution later.

    The load of 25 Nm falls to 20 Nm at ``load_off_s``; the valve moves the throttle, step by step.
    """
    made = make_controller(controlled)
    count = round(duration_s / TICK_s)
    rpm, told = np.empty(count), np.empty(count)
    speed, pressure, angle = 209.38, 0.5432, 0.0
    angles, charges = [-10.0, 0.0], [charge_g(speed, pressure)] * 2
    position, oldest = 25.0, 0
    for tick in range(count):
        t_s = tick * TICK_s
        steps = made.step(t_s, speed * RPM_PER_rad_s, 90.0, True)
        if tick % round(VALVE_STEP_s / TICK_s) == 0 and steps != position:
            position += math.copysign(1.0, steps - position)
        load = 25.0 if t_s < load_off_s else 20.0
        throttle = THROTTLE_SHUT_deg + THROTTLE_deg_PER_STEP * position
        while angles[oldest + 1] < angle - math.pi:
            oldest += 1
        here = (angle - math.pi - angles[oldest]) / (angles[oldest + 1] - angles[oldest])
        delayed = charges[oldest] + here * (charges[oldest + 1] - charges[oldest])

        def rates(
            p: float, w: float, *, throttle: float = throttle, delayed: float = delayed,
            load: float = load,
        ) -> tuple[float, float]:  # fmt: skip
            filling = RT_PER_V * (air_in_g_s(throttle, p) - air_out_g_s(w, p))
            return filling, (torque_Nm(delayed, w) - load) / INERTIA_kg_m2

        first = rates(pressure, speed)
        second = rates(pressure + TICK_s * first[0], speed + TICK_s * first[1])
        angle += TICK_s * (speed + 0.5 * TICK_s * first[1])
        pressure += 0.5 * TICK_s * (first[0] + second[0])
        speed += 0.5 * TICK_s * (first[1] + second[1])
        angles.append(angle)
        charges.append(charge_g(speed, pressure))
        rpm[tick], told[tick] = speed * RPM_PER_rad_s, steps
    return ForeignRun(rpm, told)


def moves(run: ForeignRun, from_s: float) -> int:
    """Commands that changed after a time."""
    return int(np.count_nonzero(np.diff(run.steps[round(from_s / TICK_s) :])))


def test_without_feedback_the_plant_settles_at_its_equilibria() -> None:
    run = drive(plan(law="none"), 25.0, load_off_s=10.0)
    # 25 steps are 8.97 degrees: the published start, 209 rad/s, and 227.72 rad/s with 20 Nm (computed).
    assert run.rpm[9900] == pytest.approx(209.38 * RPM_PER_rad_s, abs=1.0)
    assert run.rpm[-1] == pytest.approx(227.72 * RPM_PER_rad_s, abs=1.0)
    assert set(run.steps) == {25.0}


@pytest.mark.parametrize("law", ["pi", "pid", "nudge", "pi_park"])
def test_the_controller_holds_the_speed_of_a_plant_it_does_not_know(law: str) -> None:
    changes: dict[str, Any] = {"law": law, "derivative_steps_s_per_100rpm": 0.1}
    if law == "nudge":
        changes |= {"update_period_ms": 700.0}
    run = drive(plan(**changes), 40.0, load_off_s=10.0)
    # Unheld the lighter load makes it 2175 rpm; a step is worth some 20 rpm, the deadband 15.
    assert run.rpm.max() > 2030.0
    late = run.rpm[-10_000:]
    assert np.abs(late - 2000.0).max() < 15.0 + 20.0
    assert moves(run, 30.0) == 0
    assert run.steps[-1] < 25.0


def test_coarse_moves_with_a_narrow_deadband_hunt_on_the_foreign_plant_too() -> None:
    # A deadband of +-4 rpm about moves of 6 steps, some 120 rpm: no position satisfies it
    # (McMillan, 2007: a resolution limit with integral action gives a limit cycle).
    coarse = drive(plan(min_move_steps=6, deadband_rpm=4.0), 60.0, load_off_s=5.0)
    assert moves(coarse, 30.0) >= 6
    assert np.ptp(coarse.rpm[30_000:]) > 60.0
    fine = drive(plan(), 60.0, load_off_s=5.0)
    assert moves(fine, 30.0) == 0
    assert np.ptp(fine.rpm[30_000:]) < 5.0
