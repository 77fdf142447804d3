"""Checks of the open-loop curves: cranking above running, curves that fall, after-start air."""

from __future__ import annotations

from itertools import pairwise

from controllers import curve_at
from sim import Car
from tuning.checks.lines import CheckLine, judged
from tuning.starts import LEAST_CRANKING_steps, LEAST_EXTRA_steps

SLOWEST_TO_RUNNING_s = 1.0
"""An engine that fires for longer than this with cranking air flares; our judgement [s]."""
CLIMATE_degC = (0.0, 80.0)
"""Curves should have points at or beyond these, a frosty morning and warm; ours [degC]."""
SHORTEST_FADE_s, LONGEST_FADE_s = 5.0, 120.0
"""Fades between these pass: common practice, no source, and the longest that is proposed [s]."""
CURVES = {
    "target_rpm": ("target speed", "rpm"),
    "base_steps": ("base curve", "steps"),
    "cranking_steps": ("cranking curve", "steps"),
    "after_start_steps": ("after-start air", "steps"),
}


def curve_checks(car: Car) -> list[CheckLine]:
    """Check the open-loop curves.

    Gives cranking above running, reach, direction of each curve, after-start.
    """
    return [
        _cranking(car),
        _to_running(car),
        _reach(car),
        _climate(car),
        *(_falls(car, key) for key in CURVES),
        _fade(car),
    ]


def _cranking(car: Car) -> CheckLine:
    curves = car.curves
    places = sorted({degC for degC, _ in (*curves.base_steps, *curves.cranking_steps)})
    margins = [
        (curve_at(curves.cranking_steps, at) - curve_at(curves.base_steps, at), at) for at in places
    ]
    margin, at_degC = min(margins)
    at_limit = curve_at(curves.base_steps, at_degC) >= car.valve.open_limit_steps
    wanted = max(curve_at(curves.base_steps, at_degC) + LEAST_EXTRA_steps, LEAST_CRANKING_steps)
    wanted = min(wanted, float(car.valve.open_limit_steps))
    least = min(steps for _, steps in curves.cranking_steps)
    return CheckLine(
        "cranking above running",
        judged(margin <= 0.0 and not at_limit, least < LEAST_CRANKING_steps),
        margin,
        "steps",
        f"least {margin:+.0f} steps, at {at_degC:.0f} degC"
        f"{' where both are at the open limit' if at_limit else ''}; lowest cranking value"
        f" {least:.0f} steps",
        "cranking wants more air than running at every temperature",
        f"raise the cranking curve at {at_degC:.0f} degC to {wanted:.0f} steps or more, and nowhere"
        f" below {LEAST_CRANKING_steps:.0f}",
    )


def _to_running(car: Car) -> CheckLine:
    curves, valve = car.curves, car.valve
    ways = {}
    for at in sorted({degC for degC, _ in (*curves.base_steps, *curves.cranking_steps)}):
        running = curve_at(curves.base_steps, at) + curve_at(curves.after_start_steps, at)
        running = min(running, float(valve.open_limit_steps))
        # Where cranking has less air than running the line above tells: nothing flares there.
        ways[max(curve_at(curves.cranking_steps, at) - running, 0.0)] = at
    longest = max(ways)
    seconds = longest * (valve.pulse_ms + valve.rest_ms) / 1000.0
    return CheckLine(
        "from cranking to running position",
        judged(False, seconds > SLOWEST_TO_RUNNING_s),
        seconds,
        "s",
        f"{seconds:.2f} s, {longest:.0f} steps at {ways[longest]:.0f} degC,"
        f" best below {SLOWEST_TO_RUNNING_s:g} s",
        "until the valve has come back the engine runs on cranking air and flares",
        "lower the cranking curve there, or raise after-start air",
    )


def _climate(car: Car) -> CheckLine:
    curves = {name: getattr(car.curves, key) for key, (name, _) in CURVES.items()}
    coldest, cold = max((points[0][0], name) for name, points in curves.items())
    # A target may well be level from some warmth on; air may not.
    airs = {name: points for name, points in curves.items() if name != CURVES["target_rpm"][0]}
    warmest, warm = min((points[-1][0], name) for name, points in airs.items())
    low, high = CLIMATE_degC
    return CheckLine(
        "curves cover the climate",
        judged(False, coldest > low or warmest < high),
        coldest,
        "degC",
        f"points from {coldest:g} degC ({cold}) to {warmest:g} degC ({warm}), wanted {low:g} to"
        f" {high:g} degC or more; beyond a curve's ends its last value holds",
        "a colder morning than the first point gets too little air",
        "add a point at the coldest start you expect and one when warm; see evenidle base",
    )


def _reach(car: Car) -> CheckLine:
    curves, limit = car.curves, car.valve.open_limit_steps
    places = sorted({degC for degC, _ in (*curves.base_steps, *curves.after_start_steps)})
    wanted, at_degC = max(
        (curve_at(curves.base_steps, d) + curve_at(curves.after_start_steps, d), d) for d in places
    )
    wanted = max(wanted, *(steps for _, steps in curves.cranking_steps))
    base_most = max(steps for _, steps in curves.base_steps)
    return CheckLine(
        "curves within the open limit",
        judged(base_most > limit, wanted > limit),
        float(limit - wanted),
        "steps",
        f"most wanted {wanted:.0f} steps (base and after-start at {at_degC:.0f} degC, or cranking),"
        f" open limit {limit}",
        "what is asked above the open limit is not given",
        "lower the curve, or open the throttle stop a little and lower all curves",
    )


def _falls(car: Car, key: str) -> CheckLine:
    name, unit = CURVES[key]
    points = getattr(car.curves, key)
    rises = [(here[1] - before[1], here[0]) for before, here in pairwise(points)]
    rise, at_degC = max(rises)
    value = "never rises" if rise <= 0.0 else f"rises by {rise:g} {unit} to {at_degC:g} degC"
    return CheckLine(
        f"{name} falls with warmth",
        judged(False, rise > 0.0),
        rise,
        unit,
        value,
        "a warmer engine needs less air; a rise is mostly a slip of the pen",
        f"look at the value at {at_degC:g} degC",
    )


def _fade(car: Car) -> CheckLine:
    seconds = car.curves.after_start_fade_s
    return CheckLine(
        "after-start fade",
        judged(False, not SHORTEST_FADE_s <= seconds <= LONGEST_FADE_s),
        seconds,
        "s",
        f"{seconds:g} s, usual {SHORTEST_FADE_s:g} to {LONGEST_FADE_s:g} s",
        "after-start air covers the time until walls and oil are no longer stone cold",
        "set about 20 s, longer where the oil warms far later than what the curves go by: see"
        " evenidle base",
    )
