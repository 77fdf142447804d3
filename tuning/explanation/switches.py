"""Changed copies of a car in which one possible cause of hunting is switched off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sim import Car, with_values
from tuning.loop import LinearView

SAFE_SHARE = 0.35
"""Gains switched low: to this share of those at the border, if they are above it [-]."""
QUICKER, SLOWER = 4.0, 3.0
"""Update period divided and multiplied by this [-]."""
SHORTEST_UPDATE_ms = 10.0
LONGEST_UPDATE_ms = 10_000.0
FINEST = 8
"""A valve without steps: so many positions in place of one, if the travel leaves room."""
MOST_STEPS = 400
"""Longest travel a car may have [steps]."""
NO_LIMIT_steps = 400.0
INSTANT_ms = 0.2
"""Coil pulse of a valve that takes no time [ms]."""

Changes = dict[str, dict[str, Any]]


@dataclass(frozen=True)
class Switch:
    """One change of the car.

    Attributes
    ----------
    key : str
        What is switched off: "as_is" (nothing), "resolution", "gains", "valve_speed", "limits",
        "quicker_updates", "slower_updates", "backlash", "both" (resolution and gains), "feedback",
        "suggested".
    name : str
        In plain words.
    car : Car
        The changed car.
    """

    key: str
    name: str
    car: Car


def finer_valve(car: Car) -> tuple[Car, int]:
    """The same valve and law with many small steps in place of each whole one, and minimum move 1.

    Gives the changed car, and how many positions stand for one [-].

    Steps, travel, curves, gains and limits are multiplied by n, the time of a step divided by it,
    so that areas, seconds and the law stay what they were; only rounding and minimum move get
    finer.  A nudge becomes n times as many of one fine step.
    """
    valve, feedback = car.valve, car.feedback
    n = max(1, min(FINEST, MOST_STEPS // valve.travel_steps))
    times_n = {
        key: min(NO_LIMIT_steps, getattr(feedback, key) * n)
        for key in ("entry_extra_steps", "aircon_steps")
    }
    changes: Changes = {
        "valve": {
            "area_mm2": tuple((steps * n, area) for steps, area in valve.area_mm2),
            "travel_steps": valve.travel_steps * n,
            "useful_travel_steps": valve.useful_travel_steps * n,
            "open_limit_steps": valve.open_limit_steps * n,
            "homing_steps": min(1000, valve.homing_steps * n),
            "pulse_ms": max(0.2, valve.pulse_ms / n),
            "rest_ms": valve.rest_ms / n,
            "pull_in_ms": max(0.1, valve.pull_in_ms / n),
            "backlash_steps": min(10.0, valve.backlash_steps * n),
        },
        "curves": {
            key: tuple((c, min(NO_LIMIT_steps, s * n)) for c, s in getattr(car.curves, key))
            for key in ("base_steps", "cranking_steps", "after_start_steps")
        },
        "feedback": {
            "gain_steps_per_100rpm": min(500.0, feedback.gain_steps_per_100rpm * n),
            "integral_steps_per_100rpm_s": min(500.0, feedback.integral_steps_per_100rpm_s * n),
            "derivative_steps_s_per_100rpm": min(500.0, feedback.derivative_steps_s_per_100rpm * n),
            "load_steps_per_100W": min(100.0, feedback.load_steps_per_100W * n),
            "min_move_steps": 1,
            "rpm_per_step": max(0.1, feedback.rpm_per_step / n),
            "trim_limit_steps": tuple(
                min(NO_LIMIT_steps, max(-NO_LIMIT_steps, limit * n))
                for limit in feedback.trim_limit_steps
            ),
            "nudge_steps": 1,
            **times_n,
        },
    }
    if feedback.law == "nudge":
        period = feedback.update_period_ms / (n * feedback.nudge_steps)
        changes["feedback"]["update_period_ms"] = max(1.0, period)
    return with_values(car, changes), n


def _lower_gains(car: Car, linear: LinearView) -> Car:
    """Gains at most a safe share of those at the border; the law's times stay."""
    feedback = car.feedback
    share = min(1.0, SAFE_SHARE * linear.here.border_multiplier)
    if feedback.law == "nudge":
        slower = min(LONGEST_UPDATE_ms, feedback.update_period_ms / max(share, 1.0e-3))
        return with_values(car, {"feedback": {"update_period_ms": slower}})
    keys = (
        "gain_steps_per_100rpm",
        "integral_steps_per_100rpm_s",
        "derivative_steps_s_per_100rpm",
    )
    return with_values(car, {"feedback": {key: getattr(feedback, key) * share for key in keys}})


def switches(car: Car, linear: LinearView, suggested: dict[str, Any]) -> list[Switch]:
    """The car as it is, and copies with one possible cause switched off each.

    Parameters
    ----------
    car : Car
        The car.
    linear : LinearView
        Says how far gains must come down.
    suggested : dict
        Suggested settings, as of table [feedback]; may be empty.

    Returns
    -------
    list of Switch
        "as_is" first.
    """
    period = car.feedback.update_period_ms
    quick = max(min(SHORTEST_UPDATE_ms, period), period / QUICKER)
    slow = min(LONGEST_UPDATE_ms, period * SLOWER)
    at_once: Changes = {"valve": {"pulse_ms": INSTANT_ms, "rest_ms": 0.0, "pull_in_ms": 0.1}}
    wide: Changes = {
        "feedback": {"trim_limit_steps": (-NO_LIMIT_steps, NO_LIMIT_steps)},
        "valve": {"open_limit_steps": car.valve.travel_steps},
    }
    off: Changes = {"feedback": {"law": "none"}}
    made = [Switch("as_is", "as it is", car)]
    if car.feedback.law != "none":
        lower = _lower_gains(car, linear)
        changed: list[tuple[str, str, Changes]] = [
            ("valve_speed", "a valve that takes no time", at_once),
            ("limits", "no trim limit", wide),
            ("quicker_updates", f"updates every {quick:g} ms", _period(quick)),
            ("slower_updates", f"updates every {slow:g} ms", _period(slow)),
        ]
        if car.valve.backlash_steps > 0.0:
            changed.append(("backlash", "no backlash", {"valve": {"backlash_steps": 0.0}}))
        made += [
            Switch("resolution", "a valve without steps", finer_valve(car)[0]),
            Switch("gains", "gains well below the border", lower),
        ]
        made += [Switch(key, name, with_values(car, values)) for key, name, values in changed]
        if lower != car:
            made.append(Switch("both", "no steps and low gains", finer_valve(lower)[0]))
        made.append(Switch("feedback", "feedback off, valve held", with_values(car, off)))
        if suggested:
            changes = with_values(car, {"feedback": suggested})
            made.append(Switch("suggested", "the suggested settings", changes))
    return made


def _period(update_period_ms: float) -> Changes:
    return {"feedback": {"update_period_ms": update_period_ms}}
