"""Settings that a search begins with: the car's present ones, and what rules of thumb would say.

The rules need a gain, a lag and a delay.  They are read off the simulator itself: the valve is put
two steps further open with the feedback off and the scatter taken out, and the measured speed gives
the rest.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from controllers import Feedback
from sim import (
    Car,
    SAMPLE_s,
    Scenario,
    full_plan,
    make_fleet,
    run_plan,
    settings_table,
    with_values,
)
from tuning.loop import FirstOrderDelay, RulePI, amigo_pi, simc_pi, smallest_resting_deadband
from tuning.search.space import DERIVATIVE, GAIN, INTEGRAL, Space, rpm_per_step

STEP_AT_s, STEP_UNTIL_s = 12.0, 24.0
STEP_steps = 2.0
LEAST_TIME_s = 0.02
LOOKS = 60.0
"""Readings that the valve should rest for in the rules' deadband: some 6 s at idle [-]."""
LEADS = (
    (2, 1.0, 0.7, 0.7),
    (3, 1.0, 0.85, 0.7),
    (4, 1.0, 1.0, 0.7),
    (4, 0.0, 1.0, 0.7),
    (5, 0.0, 1.2, 0.7),
    (2, 0.5, 1.4, 0.05),
    (3, 0.5, 1.6, 0.05),
)
"""Where the derivative leads: minimum move [steps], deadband over what that is worth [-], gain over
the tight rule's and integral over the slow rule's [-]."""
LEAD_SHARE = 0.4
"""Derivative over what would cancel the lag [-]."""


def quiet_car(car: Car) -> Car:
    """The same car without scatter, reading noise or uneven cylinders, its feedback off.

    Gives for reading off step responses.
    """
    return with_values(
        car,
        {
            "engine": {"scatter_share": 0.0, "cylinder_balance": (1.0,) * car.engine.cylinders},
            "sensors": {"rpm_noise_rpm": 0.0},
            "feedback": {"law": "none"},
        },
    )


def step_response(car: Car) -> tuple[np.ndarray, np.ndarray]:
    """Measured speed after the valve is put two steps further open.

    Gives shape (samples,): time since the step, and speed above that just before it [s, rpm].
    """
    scenario = Scenario.model_validate(
        {
            "name": "two steps opened",
            "duration_s": STEP_UNTIL_s,
            "event": [{"at_s": STEP_AT_s, "set": "lost_steps", "to": -STEP_steps}],
        }
    )
    quiet = quiet_car(car)
    fleet = make_fleet([quiet], [scenario])
    kept: list[np.ndarray] = []

    def keep(_rows: np.ndarray, rpm: np.ndarray, _steps: np.ndarray, _counted: np.ndarray) -> None:
        kept.append(rpm[0].astype(float))

    run_plan(fleet, full_plan(fleet, settings_table([quiet])), keep, cores=1)
    (rpm,) = kept
    first = round(STEP_AT_s / SAMPLE_s)
    before = rpm[first - 20 : first].mean()
    return (np.arange(len(rpm) - first) + 1.0) * SAMPLE_s, rpm[first:] - before


def step_model(car: Car) -> FirstOrderDelay | None:
    """First-order model with delay of valve to measured speed, warm.

    Gives none where more steps do not raise the speed.

    T = 1.5 (t63 - t28), delay = t63 - T, from the times at which 28 and 63 % of the rise are
    reached.  Source: C. L. Smith, Digital Computer Process Control (1972), from memory.
    """
    time_s, rpm = step_response(car)
    rise = float(rpm[-40:].mean())
    if not rise > 0.0:
        return None
    t28, t63 = (float(time_s[int(np.argmax(rpm >= share * rise))]) for share in (0.283, 0.632))
    lag = max(1.5 * (t63 - t28), LEAST_TIME_s)
    return FirstOrderDelay(rise / STEP_steps, lag, max(t63 - lag, LEAST_TIME_s))


def start_points(space: Space, scatter_rpm: float) -> dict[str, Feedback]:
    """Settings to evaluate first.

    Gives name to settings, within the space: the present ones, and for each law some by rule.
    """
    car = space.car
    found: dict[str, Feedback] = {}
    if car.feedback.law in space.laws:
        found["present settings"] = car.feedback
    model = step_model(car)
    if model is not None:
        for law in space.laws:
            found |= _by_rule(space, law, model, scatter_rpm)
        if "pid" in space.laws:
            found |= _leading(space, model)
    return {name: space.feedback(one.law, space.values_of(one)) for name, one in found.items()}


def _updated_late(model: FirstOrderDelay) -> FirstOrderDelay:
    """The model with half an update of 100 ms added to its delay."""
    return FirstOrderDelay(model.gain_rpm_per_step, model.time_constant_s, model.delay_s + 0.05)


def _widest_trim(space: Space) -> tuple[float, float]:
    return space.ranges["trim_low_steps"].low, space.ranges["trim_high_steps"].high


def _leading(space: Space, model: FirstOrderDelay) -> dict[str, Feedback]:
    """Settings of law ``pid`` whose derivative leads, and whose moves are large and few.

    With a deadband of what one minimum move is worth, one move cures what leaves it; without any,
    the minimum move alone keeps the valve still.  Where the integral makes a blip end low, little
    of it is left.  Source: our own; differential evolution over 10,000 candidates a car came to
    the first two kinds on the demo cars.
    """
    held = _updated_late(model)
    tight, slow = simc_pi(held), simc_pi(held, 4.0 * held.delay_s)
    worth = rpm_per_step(space.car)
    derivative = 100.0 * LEAD_SHARE * held.time_constant_s / held.gain_rpm_per_step
    found = {}
    for move, band, share, integral_share in LEADS:
        values = {
            GAIN: share * tight.gain_steps_per_100rpm,
            INTEGRAL: integral_share * slow.integral_steps_per_100rpm_s,
            DERIVATIVE: derivative,
            "deadband_rpm": band * move * worth,
            "min_move_steps": move,
            "update_period_ms": 100.0 if band > 0.0 else 60.0,
            "trim_limit_steps": _widest_trim(space),
            "law": "pid",
        }
        name = f"pid: lead, {move} steps, deadband of {band * move:g}"
        found[name] = space.car.feedback.model_copy(update=values)
    return found


def _by_rule(
    space: Space, law: str, model: FirstOrderDelay, scatter_rpm: float
) -> dict[str, Feedback]:
    """Settings of one law by rule, cautious and tight, with the smallest move and a larger one."""
    held = _updated_late(model)
    late = held.delay_s
    rules: Mapping[str, RulePI] = {
        "simc": simc_pi(held),
        "amigo": amigo_pi(held),
        "simc, slow": simc_pi(held, 4.0 * late),
    }
    slow_ms = 1000.0 * (late + model.time_constant_s)
    if law == "nudge":
        rules = {"nudge": rules["simc"]}
    found = {}
    for place, (name, rule) in enumerate(rules.items()):
        move = 1 + place % 2
        band = smallest_resting_deadband(move, model.gain_rpm_per_step, scatter_rpm, LOOKS)
        values = {
            GAIN: rule.gain_steps_per_100rpm,
            INTEGRAL: rule.integral_steps_per_100rpm_s,
            DERIVATIVE: 0.3 * rule.gain_steps_per_100rpm * late if law == "pid" else 0.0,
            "nudge_steps": move,
            "deadband_rpm": band,
            "min_move_steps": move,
            "update_period_ms": slow_ms if law == "nudge" else 100.0,
            "trim_limit_steps": _widest_trim(space),
            "law": law,
        }
        found[f"{law}: {name}"] = space.car.feedback.model_copy(update=values)
    return found
