"""Settings that follow from the explanation alone: a rule for gains, geometry for the rest."""

from __future__ import annotations

import math
from typing import Any

from controllers import LAWS, law_of
from sim import Car
from tuning.loop import IdlePoint, Treads, calm_settings, smallest_useful_move

ROOM = 1.1
"""The deadband is this much wider than the geometry asks, for a worth of a step not known well."""
SCATTERS = 2.0
"""Standard deviations of scatter added to it: the valve then moves seldom [-]."""
BORDER_LEAST = 3.0
"""Suggested gains stay this factor below those at which the loop swings by itself [-]."""
ROUND_rpm = 5.0
RULED = "pi"
"""The law for which the rules give gains."""
ROUND_gain = 0.1


def suggested_settings(car: Car, point: IdlePoint, scatter_rpm: float) -> dict[str, Any]:
    """Simple settings that should rest: a starting point, not a search.

    Parameters
    ----------
    car : Car
        Its update period, limits and law are kept; law ``nudge`` and ``pid`` become ``pi``.
    point : IdlePoint
        Its warm idle.
    scatter_rpm : float
        Standard deviation of the speed read with the valve held [rpm].

    Returns
    -------
    dict
        Keys of table [feedback]; empty where feedback is off or the engine does not hold its speed.

    Notes
    -----
    Gains by the AMIGO rule, lowered if need be; the smallest move that can be told from scatter;
    a deadband that always holds a position, and two standard deviations more.
    Source: ``tuning.loop.rules``, ``tuning.loop.lattice``.
    """
    if not car.feedback.acts or not point.plant.is_stable():
        return {}
    worth = point.rpm_per_step
    move = smallest_useful_move(worth, scatter_rpm, readings=4.0)
    law = calm_settings(point.plant, car.feedback.update_period_ms / 1000.0, move, BORDER_LEAST)
    half_width = ROOM * Treads(move, worth).smallest_deadband_rpm() + SCATTERS * scatter_rpm
    alike = law_of(car.feedback).searched == LAWS[RULED].searched
    return {
        "law": car.feedback.law if alike else RULED,
        "gain_steps_per_100rpm": _rounded(law.gain_steps_per_100rpm),
        "integral_steps_per_100rpm_s": _rounded(law.integral_steps_per_100rpm_s),
        "deadband_rpm": ROUND_rpm * math.ceil(half_width / ROUND_rpm),
        "min_move_steps": move,
    }


def _rounded(gain: float) -> float:
    """A gain to the tenth, never rounded to nothing."""
    return max(ROUND_gain, round(round(gain / ROUND_gain) * ROUND_gain, 6))
