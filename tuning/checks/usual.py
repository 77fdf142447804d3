"""Checks of what is far from usual: gains, temperatures of points, what the alternator carries."""

from __future__ import annotations

from controllers import law_of
from sim import Car
from tuning.checks.lines import CheckLine, judged, line
from tuning.checks.room import Spot
from tuning.checks.valve import idle_output_W

MOST_AT_ONCE = 1.2
"""A gain that answers more of an error at once than this overshoots it; our judgement [-]."""
MOST_A_SECOND = 4.0
"""The same of an integral in a second; our judgement [1/s]."""
HOTTEST_degC = {"water": 130.0, "air": 260.0}
"""No point of a curve is hotter, coolant or cylinder head; common practice, no source [degC]."""


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
        {"at_once_percent": 100.0 * at_once, "second_percent": 100.0 * a_second},
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
