"""The slopes of the model against finite steps of the full simulation."""

from __future__ import annotations

import control
import numpy as np
import pytest

from sim import Car, Scenario, equilibrium, load_car, simulate, with_values
from sim.linearise import linearise, settled_rpm
from tests.control_plant import state_space
from tuning.explanation.ends import without_scatter
from tuning.loop.linear import INPUTS
from tuning.loop.point import idle_point, linear_plant

AT_steps = 12.0
STEP_AT_s, AFTER_s = 10.0, 12.0


def held_car(name: str) -> Car:
    """A demo car without scatter and reading lag, its valve held at one position."""
    car = without_scatter(load_car(name))
    return with_values(
        car,
        {
            "sensors": {"rpm_smoothing": 0.0},
            "valve": {"backlash_steps": 0.0},
            "curves": {"base_steps": ((0.0, AT_steps), (100.0, AT_steps))},
            "feedback": {"law": "none"},
        },
    )


def answer_rpm(car: Car, event: str, value: float, times_s: np.ndarray) -> np.ndarray:
    """Departure of true speed after a step, in the full simulation."""
    settled = linearise(car, AT_steps).rpm
    target = float(np.interp(90.0, *np.array(car.curves.target_rpm).T))
    scenario = Scenario.model_validate(
        {
            "name": event,
            "duration_s": STEP_AT_s + AFTER_s + 0.5,
            "event": [{"at_s": STEP_AT_s, "set": event, "to": value}],
        }
    )
    trace = simulate(car, scenario, rpm_offset=settled - target)
    return np.interp(STEP_AT_s + times_s, trace.time_s, trace["speed_rpm"]) - settled


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
@pytest.mark.parametrize(
    ("event", "of", "size", "unit"),
    [("torque_Nm", "load_Nm", 0.1, 1.0), ("lost_steps", "valve_steps", 1.0, -1.0)],
)
def test_linear_answer_agrees_with_finite_steps_of_the_simulation(
    name: str, event: str, of: str, size: float, unit: float
) -> None:
    # A torque step up and a valve step both ways; half the difference of the two leaves the odd
    # part, which is what a slope is. Torque cannot be negative: one way is enough where the
    # curvature over so small a step is below the tolerance.
    car = held_car(name)
    times = np.arange(0.0, AFTER_s, 0.01)
    simulated = answer_rpm(car, event, size, times)
    if event == "lost_steps":
        simulated = 0.5 * (simulated - answer_rpm(car, event, -size, times))
    plant = linear_plant(car, linearise(car, AT_steps))
    system = state_space(plant, 8, measured=False)[0, INPUTS.index(of)]
    _, linear = control.step_response(system, times)
    linear = np.asarray(linear).ravel() * size * unit
    # 2 % of the largest departure, at every time: shape, delay and steady value together.
    assert np.max(np.abs(simulated - linear)) < 0.02 * np.max(np.abs(linear))


def test_settled_speeds_are_those_of_the_equilibrium() -> None:
    car = load_car("twin")
    positions = [3.0, 16.0, 16.5, 60.0]
    expected = [equilibrium(car, p, 60.0, load_W=50.0, altitude_m=800.0)["rpm"] for p in positions]
    found = settled_rpm(car, positions, 60.0, load_W=50.0, altitude_m=800.0)
    assert found == pytest.approx(expected, rel=1e-12)
    assert linearise(car, 16.5, 60.0, load_W=50.0, altitude_m=800.0).rpm == pytest.approx(found[2])


def test_an_engine_that_cannot_run_has_no_slopes() -> None:
    car = with_values(load_car("trials"), {"throttle": {"leak_mm2": 0.0}})
    slopes = linearise(car, 0.0)
    assert slopes.speed_rad_s == 0.0
    assert set(vars(slopes).values()) == {0.0}


def test_a_step_is_worth_what_neighbouring_positions_differ_by() -> None:
    car = load_car("six")
    point = idle_point(car)
    assert point is not None
    near = round(point.needed_steps)
    secant = 0.5 * (point.rpm[near + 1] - point.rpm[near - 1])
    assert point.rpm_per_step == pytest.approx(secant, rel=0.02)


@pytest.mark.parametrize("advance", [4.0, -4.0])
def test_the_spark_table_in_the_slopes_is_the_one_simulated(advance: float) -> None:
    # Its slope is no part of the settled speeds, so it is held against the full simulation: one
    # valve step with the spark following speed, settled.
    changes: dict[str, dict[str, object]] = {
        "spark": {"advance_deg_per_100rpm": advance},
        "feedback": {"law": "none"},
    }
    car = with_values(without_scatter(load_car("trials")), changes)
    point = idle_point(car)
    assert point is not None
    scenario = {"name": "step", "duration_s": 40.0}
    moved = [{"at_s": 20.0, "set": "lost_steps", "to": -1.0}]
    whole = round(point.needed_steps)
    leak = car.throttle.leak_mm2 + point.leak_for(whole - point.needed_steps)
    there: dict[str, dict[str, object]] = {
        "curves": {"base_steps": ((0.0, float(whole)), (100.0, float(whole)))},
        "throttle": {"leak_mm2": leak},
    }
    trace = simulate(with_values(car, there), Scenario.model_validate(scenario | {"event": moved}))
    before = trace.time_s < 20.0
    gained = trace["speed_rpm"][-1] - trace["speed_rpm"][before][-1]
    assert gained == pytest.approx(point.rpm_per_step, rel=0.03)
