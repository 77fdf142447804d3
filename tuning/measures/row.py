"""The row of measures of one run: names, units, meanings and their places."""

from __future__ import annotations

import math
from collections import namedtuple
from dataclasses import dataclass, field, fields
from typing import Any, NamedTuple

from tuning.notes import Told

RUNNING_SHARE = 0.6  # An engine runs at or above this share of its target: above cranking speed [-].
SUSTAINED_s = 1.0  # It must do so this long to count as started [s].
START_MEANING = f"time to the first {SUSTAINED_s:g} s at {100.0 * RUNNING_SHARE:.0f} % of target or more"
START_TOLERANCE_rpm = 100.0
"""Half-width of the target band after a start, unless the floor is larger; common practice, no source
[rpm]."""


class MeasureName(NamedTuple):
    """What one place in the row of measures holds."""

    name: str
    unit: str
    meaning: str
    needs_target: bool
    """True if the number means nothing without a target rpm."""


def _row(unit: str, meaning: str, needs_target: bool = False) -> float:
    described = {"unit": unit, "meaning": meaning, "needs_target": needs_target}
    return field(default=math.nan, metadata=described)


@dataclass(frozen=True)
class Measures(Told):
    """Measures of idle quality of one run; nan where a run has nothing to measure.

    Each is defined exactly in ``tuning.measures.windows`` (by kind of window) and, for hunting, in
    ``tuning.measures.band`` and ``tuning.measures.swings``. A stall counts as 0 rpm from its moment on.

    Attributes
    ----------
    regularity, half_swings, stalled : float
        As their meanings tell.
    """

    hunting_rpm: float = _row("rpm", "mean swing, peak to peak, between 0.05 and 2 Hz")
    hunting_rms_rpm: float = _row("rpm", "root mean square between 0.05 and 2 Hz")
    hunting_period_s: float = _row("s", "period of the swing")
    regularity: float = _row("-", "evenness of the swing's zero crossings; above 1 regular")
    repeat_share: float = _row("-", "share of the swing's power that repeats after a period")
    scatter_rms_rpm: float = _row("rpm", "root mean square about the straight line, all speeds")
    mean_error_rpm: float = _row("rpm", "mean of target minus rpm", True)
    mean_abs_error_rpm: float = _row("rpm", "mean distance from target", True)
    outside_share: float = _row("-", "share of time outside the target band", True)
    lowest_rpm: float = _row("rpm", "lowest rpm while idling, under load or after a blip")
    highest_rpm: float = _row("rpm", "highest rpm while idling or under load")
    dip_rpm: float = _row("rpm", "dip after a load, mean over loads")
    worst_dip_rpm: float = _row("rpm", "deepest dip after a load")
    flare_rpm: float = _row("rpm", "flare after a load, mean over loads")
    worst_flare_rpm: float = _row("rpm", "highest flare after a load")
    excursion_rpm: float = _row("rpm", "larger of dip and flare, mean over loads")
    worst_below_target_rpm: float = _row("rpm", "deepest below target after a load", True)
    settle_s: float = _row("s", "settling after a load, mean over loads", True)
    worst_settle_s: float = _row("s", "longest settling after a load", True)
    blip_undershoot_rpm: float = _row("rpm", "deepest below target after a blip", True)
    blip_settle_s: float = _row("s", "settling after the top of a blip", True)
    start_s: float = _row("s", START_MEANING, True)
    start_flare_rpm: float = _row("rpm", "highest above target after a start", True)
    start_lowest_rpm: float = _row("rpm", "lowest rpm once the target was reached", True)
    start_stable_s: float = _row("s", "from a start to within 100 rpm of target for good", True)
    moves_per_min: float = _row("1/min", "moves of the valve")
    reversals_per_min: float = _row("1/min", "moves against the direction of the one before")
    steps_per_min: float = _row("1/min", "steps moved, either way")
    half_swings: float = _row("-", "times the valve went over to the other side of its range")
    valve_swing_rpm: float = _row("rpm", "speed with the valve on its upper less its lower side")
    stalled: float = _row("-", "1 if the engine stalled, else 0")
    stalled_s: float = _row("s", "when it stalled")


MEASURES: tuple[MeasureName, ...] = tuple(MeasureName(one.name, **one.metadata) for one in fields(Measures))
"""Places of the row of measures, in order."""
COLUMN: dict[str, int] = {one.name: i for i, one in enumerate(MEASURES)}
"""Place of each measure in the row by name."""

_Place = namedtuple("_Place", tuple(COLUMN))  # type: ignore[misc]
PLACE: Any = _Place(**COLUMN)  # The same for compiled code, which takes no dict.

HUNTING, LOAD, BLIP, START = 0, 1, 2, 3  # Kind codes of windows.
WINDOW_KINDS: dict[str, int] = {"hunting": HUNTING, "load": LOAD, "blip": BLIP, "start": START}
"""Kind code of a window by the word that scenario files use."""
