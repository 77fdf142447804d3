"""Checks of the open-loop curves: cranking above running, curves that fall, after-start air."""

from __future__ import annotations

from itertools import pairwise

from controllers import curve_at
from sim import Car
from tuning.checks.lines import CheckLine, judged, line
from tuning.notes import Note
from tuning.starts import LEAST_CRANKING_steps, LEAST_EXTRA_steps

SLOWEST_TO_RUNNING_s = 1.0
"""An engine that fires for longer than this with cranking air flares; our judgement [s]."""
CLIMATE_degC = (0.0, 80.0)
"""Curves should have points at or beyond these, a frosty morning and warm; ours [degC]."""
SHORTEST_FADE_s, LONGEST_FADE_s = 5.0, 120.0
"""Fades between these pass: common practice, no source, and the longest that is proposed [s]."""
CURVES = {
    "target_rpm": (Note("checks.curve.target"), "rpm"),
    "base_steps": (Note("checks.curve.base"), "steps"),
    "cranking_steps": (Note("checks.curve.cranking"), "steps"),
    "after_start_steps": (Note("checks.curve.after_start"), "steps"),
}
"""What each curve is, and its unit."""


def curve_checks(car: Car) -> list[CheckLine]:
    """Check the open-loop curves."""
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
    margins = [(curve_at(curves.cranking_steps, at) - curve_at(curves.base_steps, at), at) for at in places]
    margin, at_degC = min(margins)
    at_limit = curve_at(curves.base_steps, at_degC) >= car.valve.open_limit_steps
    wanted = max(curve_at(curves.base_steps, at_degC) + LEAST_EXTRA_steps, LEAST_CRANKING_steps)
    wanted = min(wanted, float(car.valve.open_limit_steps))
    least = min(steps for _, steps in curves.cranking_steps)
    return line(
        "cranking", judged(margin <= 0.0 and not at_limit, least < LEAST_CRANKING_steps), margin, "steps",
        {"margin_steps": margin, "at_degC": at_degC, "at_limit": at_limit, "least_steps": least},
        {"at_degC": at_degC, "wanted_steps": wanted, "least_steps": LEAST_CRANKING_steps},
    )  # fmt: skip


def _to_running(car: Car) -> CheckLine:
    curves, valve = car.curves, car.valve
    ways = {}
    for at in sorted({degC for degC, _ in (*curves.base_steps, *curves.cranking_steps)}):
        running = curve_at(curves.base_steps, at) + curve_at(curves.after_start_steps, at)
        running = min(running, float(valve.open_limit_steps))
        # Where cranking has less air than running the line above tells: nothing flares there.
        ways[max(curve_at(curves.cranking_steps, at) - running, 0.0)] = at
    longest = max(ways)
    seconds = longest * valve.step_ms / 1000.0
    return line(
        "to_running", judged(False, seconds > SLOWEST_TO_RUNNING_s), seconds, "s",
        {"takes_s": seconds, "far_steps": longest, "at_degC": ways[longest], "most_s": SLOWEST_TO_RUNNING_s},
    )  # fmt: skip


def _climate(car: Car) -> CheckLine:
    curves = {name: getattr(car.curves, key) for key, (name, _) in CURVES.items()}
    coldest, cold = max(((points[0][0], name) for name, points in curves.items()), key=_degC)
    # A target may well be level from some warmth on; air may not.
    airs = {name: points for name, points in curves.items() if name != CURVES["target_rpm"][0]}
    warmest, warm = min(((points[-1][0], name) for name, points in airs.items()), key=_degC)
    low, high = CLIMATE_degC
    return line(
        "climate", judged(False, coldest > low or warmest < high), coldest, "degC",
        {"coldest_degC": coldest, "coldest": cold, "warmest_degC": warmest, "warmest": warm, "low_degC": low,
         "high_degC": high},
    )  # fmt: skip


def _degC(place: tuple[float, Note]) -> float:
    return place[0]


def _reach(car: Car) -> CheckLine:
    curves, limit = car.curves, car.valve.open_limit_steps
    places = sorted({degC for degC, _ in (*curves.base_steps, *curves.after_start_steps)})
    wanted, at_degC = max(
        (curve_at(curves.base_steps, d) + curve_at(curves.after_start_steps, d), d) for d in places
    )
    wanted = max(wanted, *(steps for _, steps in curves.cranking_steps))
    base_most = max(steps for _, steps in curves.base_steps)
    return line(
        "reach", judged(base_most > limit, wanted > limit), float(limit - wanted), "steps",
        {"wanted_steps": wanted, "at_degC": at_degC, "limit_steps": limit},
    )  # fmt: skip


def _falls(car: Car, key: str) -> CheckLine:
    name, unit = CURVES[key]
    points = getattr(car.curves, key)
    rises = [(here[1] - before[1], here[0]) for before, here in pairwise(points)]
    rise, at_degC = max(rises)
    value = Note("checks.falls.never")
    if rise > 0.0:
        value = Note("checks.falls.rises", rise=f"{rise:g} {unit}", at_degC=at_degC)
    return line("falls", judged(False, rise > 0.0), rise, unit, value, {"at_degC": at_degC}, curve=name)


def _fade(car: Car) -> CheckLine:
    seconds = car.curves.after_start_fade_s
    return line(
        "fade", judged(False, not SHORTEST_FADE_s <= seconds <= LONGEST_FADE_s), seconds, "s",
        {"fade_s": seconds, "least_s": SHORTEST_FADE_s, "most_s": LONGEST_FADE_s},
    )  # fmt: skip
