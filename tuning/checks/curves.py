"""Checks of the open-loop curves, and of what is far from usual: gains, points, the alternator's load."""

from __future__ import annotations

from itertools import pairwise

from controllers import curve_at, law_of
from sim import Car
from tuning.checks.lines import CheckLine, judged, line
from tuning.checks.room import Spot
from tuning.checks.valve import idle_output_W
from tuning.notes import Note
from tuning.starts import LEAST_CRANKING_steps, LEAST_EXTRA_steps, USUAL_FADE_s

SLOWEST_TO_RUNNING_s = 1.0
"""An engine that fires for longer than this with cranking air flares; our judgement [s]."""
CLIMATE_degC = (0.0, 80.0)
"""Curves should have points at or beyond these, a frosty morning and warm; ours [degC]."""
CURVES = {
    "target_rpm": (Note("checks.curve.target"), "rpm"),
    "base_steps": (Note("checks.curve.base"), "steps"),
    "cranking_steps": (Note("checks.curve.cranking"), "steps"),
    "after_start_steps": (Note("checks.curve.after_start"), "steps"),
}
"""What each curve is, and its unit."""
MOST_AT_ONCE = 1.2  # A gain that answers more of an error at once than this overshoots it; our judgement [-].
MOST_A_SECOND = 4.0  # The same of an integral in a second; our judgement [1/s].
HOTTEST_degC = {"water": 130.0, "air": 260.0}
"""No point of a curve is hotter, coolant or cylinder head; common practice, no source [degC]."""


def curve_checks(car: Car) -> list[CheckLine]:
    """Check the open-loop curves."""
    whole = [_cranking(car), _to_running(car), _reach(car), _climate(car)]
    return [*whole, *(_falls(car, key) for key in CURVES), _fade(car), _waits(car)]


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
    seconds, (least_s, most_s) = car.curves.after_start_fade_s, USUAL_FADE_s
    return line(
        "fade", judged(False, not least_s <= seconds <= most_s), seconds, "s",
        {"fade_s": seconds, "least_s": least_s, "most_s": most_s},
    )  # fmt: skip


def _waits(car: Car) -> CheckLine:
    waits_s, fade_s = car.feedback.enable_delay_s, car.curves.after_start_fade_s
    return line(
        "waits", judged(False, car.feedback.acts and waits_s < fade_s), waits_s, "s",
        {"waits_s": waits_s, "fade_s": fade_s}, {"fade_s": fade_s},
    )  # fmt: skip


def usual_checks(car: Car, spots: list[Spot]) -> list[CheckLine]:
    """Check what a slip of the pen makes unusual."""
    return [_gains(car, spots[-1]), _hottest(car), _alternator(car)]


def _gains(car: Car, warm: Spot) -> CheckLine:
    feedback = car.feedback
    acts = law_of(feedback).has_gains
    at_once = feedback.gain_steps_per_rpm * warm.rpm_per_step
    a_second = feedback.integral_steps_per_rpm_s * warm.rpm_per_step
    most = MOST_AT_ONCE * 100.0 / max(warm.rpm_per_step, 1.0)
    return line(
        "gains", judged(False, acts and (at_once > MOST_AT_ONCE or a_second > MOST_A_SECOND)), at_once, "-",
        {"at_once_percent": 100.0 * at_once, "second_percent": 100.0 * a_second,
         "usual_percent": 100.0 * MOST_AT_ONCE, "most_percent": 100.0 * MOST_A_SECOND},
        {"most_steps_per_100rpm": most},
    )  # fmt: skip


def _hottest(car: Car) -> CheckLine:
    curves = car.curves
    every = (curves.target_rpm, curves.base_steps, curves.cranking_steps, curves.after_start_steps)
    hottest = max(degC for points in every for degC, _ in points)
    most = HOTTEST_degC[car.thermal.cooling]
    return line(
        "hottest", judged(False, hottest > most), hottest, "degC",
        {"hottest_degC": hottest, "most_degC": most},
    )  # fmt: skip


def _alternator(car: Car) -> CheckLine:
    drawn = car.electrics.base_W + car.loads.lamps_W
    able = idle_output_W(car)
    return line(
        "alternator", judged(False, able < drawn), able - drawn, "W", {"able_W": able, "drawn_W": drawn},
    )  # fmt: skip
