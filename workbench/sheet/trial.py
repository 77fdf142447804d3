"""How to try the settings on the car: the steps from the safest on, what to watch, when to stop."""

from __future__ import annotations

from typing import TYPE_CHECKING

from workbench.sheet.parts import TryStep

if TYPE_CHECKING:
    from sim import Car
    from tuning.checks import Spot
    from tuning.prediction import Expectation, Expected

NARROW_rpm = 60.0
"""Trim limits of the first try with feedback are worth about this, either way."""
HUNTING_SHARE = 0.1
"""From this share of runs that hunt on, the sheet warns of its own settings: our choice [-]."""


def narrow_limits(car: Car, spots: list[Spot]) -> tuple[float, float]:
    """Trim limits for the first try with feedback.

    Gives lowest and highest trim, within the full limits [steps].
    """
    low, high = car.feedback.trim_limit_steps
    worth = max(spots[-1].rpm_per_step, 1.0)
    steps = max(float(car.feedback.min_move_steps), float(round(NARROW_rpm / worth)), 2.0)
    return max(low, -steps), min(high, steps)


def _entered(car: Car, limits: tuple[float, float]) -> str:
    """Trim limits as they are typed into the controller."""
    from tuning.search import to_entry

    given = car.feedback.model_copy(update={"trim_limit_steps": limits})
    low, high = (e for e in to_entry(car, given) if e.key == "trim_limit_steps")
    return f"trim limits {low.text} and {high.text} {low.unit}"


def try_steps(car: Car, spots: list[Spot]) -> list[TryStep]:
    """Order the tries from the safest on.

    Gives engine off, feedback off, narrow limits, full limits, loads, a cold start.
    """
    before = _before_feedback(car, spots[-1])
    if car.feedback.law == "none":
        return before
    return [*before, *_with_feedback(car, narrow_limits(car, spots))]


def _before_feedback(car: Car, warm: Spot) -> list[TryStep]:
    """Tries with the engine off, and with feedback off."""
    return [
        TryStep(
            "Engine off",
            "write down or save the present settings",
            f"Key on: hear the valve home ({car.valve.homing_steps} steps). Command a few positions"
            " by hand if the controller can.",
            "it moves without skipping and ends at the seat.",
        ),
        TryStep(
            "Feedback off, engine warm",
            "feedback off (base curve only)",
            f"Idle outdoors. Expect about {warm.settled_rpm:.0f} rpm on {warm.base_steps:.0f}"
            " steps. Open by 2 steps by hand: speed must rise by about"
            f" {2.0 * warm.rpm_per_step:.0f} rpm. Log one minute.",
            "opening raises speed, and speed is steady with the valve still.",
        ),
    ]


def _with_feedback(car: Car, limits: tuple[float, float]) -> list[TryStep]:
    """Tries with feedback on, narrow limits first."""
    narrow = " and ".join(f"{limit:+.0f}" for limit in limits)
    full = " and ".join(f"{limit:+.0f}" for limit in car.feedback.trim_limit_steps)
    return [
        TryStep(
            "Narrow trim limits",
            f"all settings above, but {_entered(car, limits)} (ours: {narrow} steps)",
            "Switch feedback on with a hand on the key. Idle two minutes, log it.",
            "trim moves toward the target and rests; no regular swing.",
        ),
        TryStep(
            "Full trim limits",
            f"{_entered(car, car.feedback.trim_limit_steps)} (ours: {full} steps)",
            "Idle two minutes, then lamps on, off; fan on, off; everything on, off. Log it.",
            "dips and settling are within the ranges above.",
        ),
        TryStep(
            "Blip and return",
            "nothing new",
            "Short blips, small ones first; then let a rolling car come to rest in a safe place.",
            "speed comes back without falling far below target.",
        ),
        TryStep(
            "Cold start",
            "nothing new",
            "Next morning: start, let it warm up, log from key on. Hold the logs against the"
            " prediction (evenidle compare). The trim held at each temperature is the error of the"
            " base curve there: fold it in (evenidle base).",
            "it starts, and trims stay within half of their limits.",
        ),
    ]


def hunting_caution(expected: Expectation) -> tuple[tuple[str, str], ...]:
    """Warn of settings that hunt in the model.

    Gives one caution, head and text; empty where next to no run hunts.
    """
    share = expected.prediction.hunting_share
    if share < HUNTING_SHARE:
        return ()
    text = (
        f"In the model their warm idle hunts in {100.0 * share:.0f} of 100 runs. Search for better"
        " ones before any of this is tried."
    )
    return (("These settings hunt.", text),)


def watch_points(car: Car, expected: Expectation) -> list[str]:
    """Say what to watch while trying.

    Gives one sentence each.
    """
    by_name: dict[str, Expected] = {}
    for row in expected.rows:
        by_name.setdefault(row.name, row)
    points = []
    if "hunting_rpm" in by_name:
        row = by_name["hunting_rpm"]
        told = "A regular swing above is hunting; an irregular one is the engine's own scatter."
        if hunting_caution(expected):
            told = "Hunting is part of that: these settings are not ones to stay with."
        points.append(f"Swing of speed: {row.low:.0f} to {row.high:.0f} rpm is expected. {told}")
    if "moves_per_min" in by_name:
        row = by_name["moves_per_min"]
        points.append(
            f"Valve: up to about {row.high:.0f} moves a minute; hear whether it ticks on."
        )
    points.append("Trim: which way it leans, and how far, at each coolant temperature.")
    points.append("Valve at a limit for more than a few seconds: the base curve is off there.")
    points.append("Mixture and battery voltage when loads come on.")
    if car.feedback.law == "none":
        points = points[-1:]
    return points


def stop_signs(car: Car, expected: Expectation) -> list[str]:
    """Say when to stop trying and go back to the base curve.

    Gives one sentence each.
    """
    target = car.curves.target_rpm[-1][1]
    lowest = next((row.low for row in expected.rows if row.name == "lowest_rpm"), 0.0)
    return [
        f"Speed above {1.6 * target:.0f} rpm with the throttle closed, or still rising: key off.",
        "Opening the valve lowers speed, or closing it raises speed: key off, wiring first.",
        f"Speed below {max(lowest - 50.0, car.engine.stall_rpm + 50.0):.0f} rpm, or a stall.",
        "A regular swing that grows, or one larger than without feedback: feedback off.",
        (
            "The valve knocks at its seat or stop, or the same steps no longer give the same speed:"
            " position is lost; key off, home again."
        ),
        "Smell of fuel or exhaust, a leak, heat, a noise that was not there: key off.",
    ]
