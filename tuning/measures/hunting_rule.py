"""The rules by which an idle is said to hunt, with its four answers, and to race, for one run or many."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tuning.notes import Note, Told

if TYPE_CHECKING:
    from tuning.measures.row import Measures

HUNTS, MAY_HUNT, DOES_NOT_HUNT, CANNOT_TELL = "hunts", "may hunt", "does not hunt", "cannot tell"
"""The answers, wherever it is asked; one run never only may hunt."""
RULED_BY = ("hunting_rpm", "regularity", "repeat_share", "scatter_rms_rpm", "half_swings",
            "valve_swing_rpm")  # fmt: skip
"""Measures that the rule looks at."""
REGULAR = 1.0  # Hunting is regular: its ``regularity`` is above this [-].
REPEATING = 0.2  # Hunting larger than the known floor repeats: its ``repeat_share`` is above this [-].
REPEATING_ALONE = 0.45  # Where the floor is not known its ``repeat_share`` must be above this [-].
ABOVE_FLOOR = 1.3  # Hunting is larger than this many times the swing with the valve held [-].
SMALLEST_HUNTING_rpm = 5.0  # A swing below this is not called hunting however regular: nobody hears it [rpm].
FEWEST_HALF_SWINGS = 3
"""A valve goes to and fro when it has gone over so often; fewer may be one disturbance and the return from it
[-]."""
OF_FLOOR, OF_SCATTER = 0.7, 1.4
"""The valve's own part is above this many times the floor, or, where that is not known, the standard
deviation of speed: either way half of its variance [-]."""
ONCE = 1.3  # A valve that went over once or twice must have swung speed by so much more to be noted [-].
SURE, MOST_LEFT = 0.9, 0.15
"""Level of the interval of a chance; "does not hunt" leaves at most so much of it [-]."""
MEAN_RACES_SHARE = 0.5
"""An idle whose mean speed is above its target by more than this share of it races [-]."""


def regular_swings(of: Callable[[str], Any], floor_rpm: ArrayLike | None) -> NDArray[np.bool_]:
    """Runs whose speed swings regularly and by more than scatter makes."""
    repeating = REPEATING_ALONE if floor_rpm is None else REPEATING
    floor = 0.0 if floor_rpm is None else np.asarray(floor_rpm)
    large = np.asarray(of("hunting_rpm")) > np.maximum(SMALLEST_HUNTING_rpm, ABOVE_FLOOR * floor)
    regular = np.asarray(of("regularity")) > REGULAR
    return np.asarray(large & regular & (np.asarray(of("repeat_share")) > repeating))


def swung_by_valve(
    of: Callable[[str], Any], floor_rpm: ArrayLike | None, times: float = 1.0
) -> NDArray[np.bool_]:
    """Runs whose speed goes with the valve by more than scatter makes, be it only once."""
    if floor_rpm is None:
        least = times * OF_SCATTER * np.asarray(of("scatter_rms_rpm"))
    else:
        least = times * OF_FLOOR * np.asarray(floor_rpm)
    return np.asarray(np.asarray(of("valve_swing_rpm")) > np.maximum(SMALLEST_HUNTING_rpm, least))


def hunts(of: Callable[[str], Any], floor_rpm: ArrayLike | None) -> NDArray[np.bool_]:
    """Tell which runs hunt.

    Either speed swings regularly: ``regularity`` above 1, ``repeat_share`` above 0.2, ``hunting_rpm`` above 5
    rpm and above 1.3 times the floor; without the floor ``repeat_share`` above 0.45. Or the valve goes to and
    fro, at whatever period: three half swings or more between the sides of its range, and speed is higher
    while it stands on the upper side by more than 5 rpm and 0.7 times the floor; without the floor by more
    than 1.4 times the standard deviation of speed: half of its variance is the valve's.
    Source: r above 1: Thornhill, Huang & Zhang, Journal of Process Control 13 (2003), from memory. The other
    limits: our definition, set on simulated runs of 30 s. Of 3,000 of pure scatter, white or with a memory of
    up to 0.5 s, 1 % are called hunting, with a memory of 1 s 5 % (3 % with the floor). Of as many with a 60
    rpm swing of 4 s in 13 rpm of such scatter 99 %; 96 % (99 %) where its period wanders by a tenth.

    Parameters
    ----------
    of, floor_rpm : callable, array_like or None
        Gives a measure by its name in ``RULED_BY``; swing with the valve held, None: not known [rpm].

    Returns
    -------
    numpy.ndarray of bool
        False also where a measure is nan.
    """
    goes = np.asarray(of("half_swings")) >= FEWEST_HALF_SWINGS
    return regular_swings(of, floor_rpm) | (goes & swung_by_valve(of, floor_rpm))


def known_floor(floor_rpm: float | None) -> float | None:
    """The floor, None where it is 0 or nan: not known [rpm]."""
    return floor_rpm if floor_rpm is not None and floor_rpm > 0.0 else None


def regular_swing(measures: Measures, floor_rpm: float | None = None) -> bool:
    """Whether speed swings regularly in one run, whatever the valve does: the first half of ``hunts``."""
    return bool(regular_swings(partial(getattr, measures), known_floor(floor_rpm)))


def run_answer(measures: Measures, floor_rpm: float | None = None) -> str:
    """Answer whether one run hunts, by a hunting window of it, best of 30 s or more.

    ``CANNOT_TELL`` where nothing was measured, or the valve swung speed but went over once or twice. Floor:
    ``hunting_rpm`` of this engine with the valve held; None, 0 or nan: not known [rpm].
    """
    floor, of = known_floor(floor_rpm), partial(getattr, measures)
    if bool(hunts(of, floor)):
        return HUNTS
    # A valve that goes one way only, as a base curve that warms up, comes and goes for nothing.
    once = of("reversals_per_min") > 0.0 and 1 <= of("half_swings") < FEWEST_HALF_SWINGS
    if math.isnan(measures.hunting_rpm) or (once and bool(swung_by_valve(of, floor, ONCE))):
        return CANNOT_TELL
    return DOES_NOT_HUNT


def run_note(measures: Measures, floor_rpm: float | None = None) -> Note:
    """Tell whether one run hunts, with its size and period; the floor as for ``run_answer`` [rpm]."""
    answer = run_answer(measures, floor_rpm)
    swing_rpm, period_s = measures.hunting_rpm, measures.hunting_period_s
    if answer == DOES_NOT_HUNT:
        return Note("measures.run.does_not_hunt", swing_rpm=swing_rpm)
    if answer == CANNOT_TELL and math.isnan(swing_rpm):
        return Note("measures.run.too_short")
    if answer == CANNOT_TELL:
        return Note("measures.run.cannot_tell", swing_rpm=measures.valve_swing_rpm)
    if measures.moves_per_min == 0.0:
        return Note("measures.run.swings_with_valve_still", swing_rpm=swing_rpm, period_s=period_s)
    if not regular_swing(measures, floor_rpm):
        return Note("measures.run.goes_to_and_fro", swing_rpm=measures.valve_swing_rpm)
    return Note("measures.run.hunts", swing_rpm=swing_rpm, period_s=period_s)


@dataclass(frozen=True)
class HuntingChance(Told):
    """How often runs of one car hunt, and what may be said of the car.

    Attributes
    ----------
    answer : str
        ``HUNTS``: more often than not, surely; ``MAY_HUNT``; ``DOES_NOT_HUNT``: no run did and there were
        enough; else ``CANNOT_TELL``.
    hunting, runs, share : int, int, float
        Runs that hunt, of how many; the chance, nan without runs [-].
    """

    ALSO = ("text",)

    answer: str
    hunting: int
    runs: int
    share: float
    low_share: float  # ends of its 90 % interval
    high_share: float

    @property
    def text(self) -> Note:
        """It told, of code ``measures.`` and the answer."""
        if self.answer == CANNOT_TELL:
            return Note("measures.cannot_tell", hunting=self.hunting, runs=self.runs)
        high_percent = 100.0 * self.high_share
        if self.answer == DOES_NOT_HUNT:
            return Note("measures.does_not_hunt", runs=self.runs, high_percent=high_percent)
        told: dict[str, float] = {
            "hunting": self.hunting, "runs": self.runs, "chance_percent": 100.0 * self.share,
            "low_percent": 100.0 * self.low_share, "high_percent": high_percent,
        }  # fmt: skip
        return Note("measures.hunts", **told) if self.answer == HUNTS else Note("measures.may_hunt", **told)


def chance_of(hunting: int, runs: int) -> HuntingChance:
    """Say of a car whether it hunts, from how many of its runs do: 0 of 24 still allows a chance of 12 %."""
    if runs <= 0:
        return HuntingChance(CANNOT_TELL, 0, 0, math.nan, math.nan, math.nan)
    low, high = chance_interval(hunting, runs)
    if low >= 0.5:
        answer = HUNTS
    elif hunting > 0:
        answer = MAY_HUNT
    else:
        answer = DOES_NOT_HUNT if high <= MOST_LEFT else CANNOT_TELL
    return HuntingChance(answer, hunting, runs, hunting / runs, low, high)


def chance_over(of: Callable[[str], Any], floor_rpm: ArrayLike | None) -> HuntingChance:
    """Say of a car whether it hunts, from those of its runs that could be measured.

    Parameters
    ----------
    of, floor_rpm : callable, array_like or None
        As for ``hunts`` [rpm].

    Returns
    -------
    HuntingChance
    """
    measured = np.isfinite(np.asarray(of("hunting_rpm")))
    return chance_of(int(np.count_nonzero(hunts(of, floor_rpm))), int(np.count_nonzero(measured)))


def chance_interval(hits: int, runs: int) -> tuple[float, float]:
    """Interval of a chance from how often it came true; each end leaves half of what ``SURE`` leaves [-].

    Source: C. J. Clopper & E. S. Pearson, The use of confidence or fiducial limits illustrated in the case of
    the binomial, Biometrika 26 (1934) 404 to 413, by quantiles of the beta distribution.
    """
    from scipy.special import betaincinv

    tail = 0.5 * (1.0 - SURE)
    low = 0.0 if hits == 0 else float(betaincinv(hits, runs - hits + 1, tail))
    high = 1.0 if hits == runs else float(betaincinv(hits + 1, runs - hits, 1.0 - tail))
    return low, high


def races(mean_error_rpm: ArrayLike, target_rpm: ArrayLike) -> NDArray[np.bool_]:
    """Tell which runs race, whether they swing or not: nothing else matters then.

    By the mean of target less speed, nan of a run that does not race, and the target [rpm].
    """
    return np.asarray(np.asarray(mean_error_rpm) < -MEAN_RACES_SHARE * np.asarray(target_rpm))
