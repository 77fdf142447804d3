"""How to try the settings on the car: the steps from the safest on, what to watch, when to stop."""

from __future__ import annotations

from math import ceil

import sim
import tuning
from workbench.sheet.writing import TryStep
from workbench.words.wording import in_words

NARROW_rpm = 60.0  # Trim limits of the first try with feedback are worth about this, either way.
SEEN_rpm = 100.0  # A test of direction moves speed by this at least, or by its scatter if that is more.
HUNTING_SHARE = 0.1
"""From this share of runs that hunt on, the sheet warns of its own settings: our choice [-]."""
LOADS = (
    ("lamps_W", "lamps"), ("fan_W", "fan"), ("screen_W", "heated rear window"),
    ("steering_Nm", "steering to full lock"), ("aircon_Nm", "air conditioning"),
    ("gearbox_Nm", "into gear (foot on the brake, nobody in front)"), ("clutch_Nm", "clutch"),
)  # fmt: skip
ROLLING = (
    "On private ground, at walking pace, a passenger watching the gauge: let it roll and come to rest. If it"
    " races: clutch or neutral, brake, stop, then switch off; never turn the key towards lock while it moves."
)
MENDED_FIRST = (
    "These settings hunt in the model, or may: leave feedback off. Search others (evenidle tune) or mend what"
    " evenidle explain names, and make a new sheet."
)
COUNT_FIRST = (
    "the valve's travel is a guess. Count it with the engine off before anything is tried; until then homing"
    " may never reach the seat, and the engine may race."
)


def loads_fitted(car: sim.Car) -> list[str]:
    """Loads that this car has, in words."""
    return [name for key, name in LOADS if getattr(car.loads, key) > 0.0]


def loads_and_forward(car: sim.Car) -> str:
    """Loads fitted, and the air given for them before speed tells, in words."""
    feedback = car.feedback
    given = [f"{feedback.load_steps_per_100W:g} steps per 100 W"] if feedback.load_steps_per_100W else []
    given += [f"{feedback.aircon_steps:g} steps for air conditioning"] if feedback.aircon_steps else []
    return f"{', '.join(loads_fitted(car)) or 'none'}. Feed-forward: {', '.join(given) or 'none'}"


def narrow_limits(car: sim.Car, spots: list[tuning.Spot]) -> tuple[float, float]:
    """Trim limits for the first try with feedback."""
    low, high = car.feedback.trim_limit_steps
    worth = max(spots[-1].rpm_per_step, 1.0)
    steps = max(float(car.feedback.min_move_steps), float(round(NARROW_rpm / worth)), 2.0)
    return max(low, -steps), min(high, steps)


def _entered(car: sim.Car, limits: tuple[float, float]) -> str:
    given = car.feedback.model_copy(update={"trim_limit_steps": limits})
    low, high = (e for e in tuning.to_entry(car, given) if e.key == "trim_limit_steps")
    return f"trim limits {low.text} and {high.text} {low.unit}"


def try_steps(
    car: sim.Car, spots: list[tuning.Spot], prediction: tuning.Prediction | None = None
) -> list[TryStep]:
    """Order the tries from the safest on: base first, loop last, and no loop with settings that hunt."""
    before = [*_standing(car), *_feedback_off(spots, prediction.floor_rpm if prediction else 0.0)]
    if not car.feedback.acts:
        return before
    if prediction is not None and prediction.hunting_share >= HUNTING_SHARE:
        return [*before, TryStep("Stop here", "nothing", MENDED_FIRST, "a new sheet goes on from here.")]
    return [*before, *_with_feedback(car, narrow_limits(car, spots))]


def _standing(car: sim.Car) -> list[TryStep]:
    count = "" if car.valve.travel_counted else "Count the valve's travel first. "
    return [TryStep(
        "Engine off", "nothing; write down or save the present settings",
        f"{count}Key on: hear the valve home ({car.valve.homing_steps} steps), never with the engine running."
        " Command a few positions if the controller can.",
        "it moves without skipping and ends at the seat.",
    )]  # fmt: skip


def _feedback_off(spots: list[tuning.Spot], scatter_rpm: float) -> list[TryStep]:
    """The base curve, warm and then cold, with feedback off."""
    warm = spots[-1]
    steps = max(ceil(max(SEEN_rpm, scatter_rpm) / max(warm.rpm_per_step, 1.0)), 1)
    error = tuning.base_error_steps(warm)
    right = warm.base_steps + error
    told = f"in the model at {right:.0f} steps" if abs(error) < 400.0 else "see the advice above"
    return [TryStep(
        "Direction, feedback off, warm", "feedback off (base curve only)",
        f"Expect about {warm.settled_rpm:.0f} rpm on {warm.base_steps:.0f} steps. {steps} steps more must"
        f" raise speed by about {steps * warm.rpm_per_step:.0f} rpm, and fewer lower it.",
        "opening raises speed; it is steady with the valve still.",
    ), TryStep(
        "Base curve, feedback off, warm", f"the base at {warm.coolant_degC:.0f} °C",
        f"Correct it until it idles at {warm.target_rpm:.0f} rpm ({told}). Log one minute.",
        "it idles within 50 rpm of target with everything off.",
    ), TryStep(
        "One cold morning, feedback off", "nothing new",
        "Start, log until warm, correct the base at each temperature where it is off (evenidle base with the"
        " log).",
        "it starts, and idles within 100 rpm of target all the way.",
    )]  # fmt: skip


def _with_feedback(car: sim.Car, limits: tuple[float, float]) -> list[TryStep]:
    """Tries with feedback on, narrow limits first."""
    full = car.feedback.trim_limit_steps
    low, high = (float(round(0.5 * (a + b))) for a, b in zip(limits, full, strict=True))
    middle = (low, high)
    fitted = loads_fitted(car)
    loads = f"then each on and off: {', '.join(fitted)}" if fitted else "no load is fitted"
    return [TryStep(
        "Narrow trim limits, warm",
        f"all settings above, but {_entered(car, limits)} (ours: {_both(limits)} steps)",
        "Feedback on, a hand on the key. Idle two minutes, log it.",
        "trim moves toward the target and rests; no regular swing.",
    ), TryStep(
        "Half way", f"{_entered(car, middle)} (ours: {_both(middle)} steps)",
        "Idle two minutes, then one load on and off.",
        "no regular swing; the load does not bring it near stalling.",
    ), TryStep(
        "Full trim limits", f"{_entered(car, full)} (ours: {_both(full)} steps)",
        f"Idle two minutes, {loads}. Log it.", "dips and settling are within the ranges above.",
    ), TryStep(
        "Blips, then rolling", "nothing new", f"Short blips standing, small ones first. {ROLLING}",
        "speed comes back without falling far below target.",
    ), TryStep(
        "Cold start with feedback", "nothing new",
        "Next morning: start, log from key on. Hold the logs against the prediction (evenidle compare); the"
        " trim held at each temperature is the error of the base curve there.",
        "it starts, and trims stay within half of their limits.",
    )]  # fmt: skip


def _both(limits: tuple[float, float]) -> str:
    return " and ".join(f"{limit:+.0f}" for limit in limits)


def hunting_caution(expected: tuning.Expectation) -> tuple[tuple[str, str], ...]:
    """Warn of settings that hunt in the model, or are not acceptable otherwise."""
    prediction = expected.prediction
    if prediction.hunting_share < HUNTING_SHARE:
        apart = f" (These {expected.cars} variations are not those of a search, whose figure may differ.)"
        return tuple(("These settings are doubtful.", in_words(one) + apart) for one in expected.doubts)
    do = "hunt" if prediction.hunting.answer == tuning.HUNTS else "may hunt"
    text = (
        f"In the model the warm idle {in_words(prediction.hunting.text)}. Search for better settings"
        " before feedback is switched on; where a search found none, first mend what evenidle explain names."
    )
    return ((f"These settings {do}.", text),)


def watch_points(car: sim.Car, expected: tuning.Expectation) -> list[str]:
    """Say what to watch while trying."""
    by_name = {row.name: row for row in reversed(expected.rows)}
    points = []
    if row := by_name.get("hunting_rpm"):
        told = "A regular swing above is hunting; an irregular one is idle roughness, the engine's own."
        if expected.prediction.hunting_share >= HUNTING_SHARE:
            told = "Hunting is part of that: these settings are not ones to stay with."
        points.append(f"Swing of speed: {row.low:.0f} to {row.high:.0f} rpm is expected. {told}")
    if row := by_name.get("moves_per_min"):
        good, _ = tuning.stress_limits(0.0, 0.0, 0.0)["moves_per_min"]
        points.append(f"Valve: up to about {row.high:.0f} moves a minute; above {good:.0f} they wear it.")
    points += [
        "Trim: which way it leans, and how far, at each coolant temperature.",
        "Valve at a limit for more than a few seconds: the base curve is off there.",
        "Mixture and battery voltage when loads come on.",
    ]
    return points if car.feedback.acts else points[-1:]


def stop_signs(car: sim.Car, expected: tuning.Expectation) -> list[str]:
    """Say when to stop trying and go back to the base curve."""
    from controllers import curve_at

    warm = curve_at(car.curves.target_rpm, 90.0)
    lowest = next((row.low for row in expected.rows if row.name == "lowest_rpm"), 0.0)
    limits = tuning.stress_limits(warm, car.engine.stall_rpm, 0.0)
    (normal_rpm, most_rpm), (_, races_rpm) = limits["start_flare_rpm"], limits["highest_rpm"]
    lowest = max(min(lowest - 50.0, warm - 100.0), car.engine.stall_rpm + 50.0)
    return [
        (
            f"Throttle closed and more than {races_rpm:.0f} rpm above the target of the"
            f" moment ({warm + races_rpm:.0f} rpm warm), or still rising: key off. Just"
            f" after a start a flare up to {normal_rpm:.0f} rpm above it is normal; above"
            f" {most_rpm:.0f} rpm, or not falling within 3 s: key off."
        ),
        "Opening the valve lowers speed, or closing it raises speed: key off, wiring first.",
        f"Speed below {lowest:.0f} rpm, or a stall.",
        "A regular swing that grows, or one larger than without feedback: feedback off.",
        (
            "The valve knocks at its seat or stop, or the same steps no longer give the same speed:"
            " position is lost. Key off, and home it with the engine standing."
        ),
        "Smell of fuel, a leak, heat, low oil pressure, a noise that was not there: key off.",
    ]
