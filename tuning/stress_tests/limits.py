"""What decides a case of the stress matrix: each measure with its limits, and the verdict.

A case fails where it does on more than a tenth of the cars, as settings of a search do; one odd needs work.

Limits are our judgement of what an owner would call a good, a doubtful and a bad idle; no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tuning.ensemble import is_acceptable
from tuning.measures import COLUMN, HuntingChance, chance_over
from tuning.notes import Note, Told

PASS, WARN, FAIL = "pass", "warn", "fail"
ORDER = (PASS, WARN, FAIL)

LOWEST_WARN, LOWEST_FAIL = 0.3, 0.1  # Lowest speed: shares of the way from stalling to the target [-].
HUNTING_WARN, HUNTING_FAIL = 1.25, 2.0  # Swing over the swing with the valve held [-] ...
HUNTING_WARN_rpm, HUNTING_FAIL_rpm = 5.0, 20.0  # ... and this on top [rpm].
ERROR_WARN_rpm, ERROR_FAIL_rpm = 50.0, 120.0  # Mean error at rest, whatever the deadband allows [rpm].
SETTLE_WARN_s = 8.0
"""Time from a load to speed that stays near its target; scatter alone can lengthen it [s]."""
DIP_WARN, DIP_FAIL = 0.15, 0.35  # Depth below the target as a share of it [-].
RACING_WARN, RACING_SHARE = 0.4, 0.6
"""Speed above the target while idling or under load, as a share of it: from the second on it races, and the
sheet says to switch off [-]."""
MOVES_WARN, MOVES_FAIL = 60.0, 240.0
"""Moves of the valve a minute, where nothing asks it to move but scatter [1/min]."""
START_FLARE_rpm = 400.0, 800.0
"""Speed above the target just after a start that is normal, and the most [rpm]."""
HUNTS_percent = 50.0
"""From this chance on, the low end of its interval, it hunts more often than not, surely [%]."""
LIMITED_WARN = 0.25  # Share of the time at a trim limit [-].


@dataclass(frozen=True)
class Check(Told):
    """One measure of a case against its limits."""

    ALSO = ("verdict", "limit")

    measure: str
    meaning: Note
    unit: str
    value: float  # on the worst plausible car; nan where a case has nothing to measure
    warn: float  # limits there, infinite without one
    fail: float  # beyond which it fails
    lower_is_worse: bool  # whether a value below the limits breaks them
    car: int  # which plausible car and which seed that was
    seed: int  # of that run
    failing: int = 0  # of the plausible cars that are beyond the limit that fails, with any seed
    cars: int = 1  # plausible ones in all

    @property
    def verdict(self) -> str:
        """``pass``, ``warn`` or ``fail``."""
        if not is_acceptable(self.failing / self.cars):
            return FAIL
        side = -1.0 if self.lower_is_worse else 1.0
        return WARN if self.failing or side * self.value > side * self.warn else PASS

    @property
    def strain(self) -> float:
        """How near the value is to the limit that warns; above 1 beyond it [-]."""
        if math.isnan(self.value):
            return 0.0
        limit = self.warn if math.isfinite(self.warn) else self.fail
        if self.lower_is_worse:
            return limit / max(self.value, 1e-9)
        return self.value / limit if limit > 0.0 else (math.inf if self.value > 0.0 else 0.0)

    @property
    def limit(self) -> float:
        """The limit that the verdict rests on: the one broken, or the first that could be."""
        return self.fail if self.failing or not math.isfinite(self.warn) else self.warn


@dataclass(frozen=True)
class CaseRuns:
    """All runs of one case: values of shape (cars, seeds, measures), the rest by car."""

    values: np.ndarray
    floor_rpm: np.ndarray
    limited: np.ndarray
    stall_rpm: np.ndarray
    target_rpm: np.ndarray

    def of(self, name: str) -> np.ndarray:
        """One measure."""
        column: np.ndarray = self.values[..., COLUMN[name]]
        return column

    @property
    def hunting(self) -> HuntingChance | None:
        """How often it hunts; None where nothing idles for long enough to tell."""
        if np.isnan(self.of("hunting_rpm")).all():
            return None
        return chance_over(self.of, np.where(np.isnan(self.floor_rpm), 0.0, self.floor_rpm)[:, None])


_WORDS = {
    "stalled": (Note("stress.stalled"), "runs"), "lowest_rpm": (Note("stress.lowest"), "rpm"),
    "hunting_percent": (Note("stress.hunting_percent"), "%"), "hunting_rpm": (Note("stress.hunting"), "rpm"),
    "mean_error_rpm": (Note("stress.error"), "rpm"), "worst_below_target_rpm": (Note("stress.dip"), "rpm"),
    "blip_undershoot_rpm": (Note("stress.undershoot"), "rpm"), "highest_rpm": (Note("stress.highest"), "rpm"),
    "start_flare_rpm": (Note("stress.start_flare"), "rpm"), "settle_s": (Note("stress.settle"), "s"),
    "limited_share": (Note("stress.limited"), "%"), "moves_per_min": (Note("stress.moves"), "1/min"),
}  # fmt: skip
"""What each measure means, and its unit."""
Limit = np.ndarray | float


def _worst(name: str, values: np.ndarray, warn: Limit, fail: Limit, lower_is_worse: bool = False) -> Check:
    """The check on the run that strains its car's limits most, of those that fail if any does."""
    cars = values.shape[0]
    warn_at = np.broadcast_to(np.asarray(warn, dtype=float), (cars,))
    fail_at = np.broadcast_to(np.asarray(fail, dtype=float), (cars,))
    limit = np.where(np.isfinite(warn_at), warn_at, fail_at)[:, None]
    side = -1.0 if lower_is_worse else 1.0
    beyond = side * (values - limit) / np.maximum(np.abs(limit), 1e-9)
    if np.isnan(values).all():
        return Check(name, *_WORDS[name], math.nan, math.inf, math.inf, False, 0, 0)
    fails = side * values > side * fail_at[:, None]
    looked_at = ~np.isnan(beyond) & (fails | ~fails.any())
    car, seed = np.unravel_index(np.argmax(np.where(looked_at, beyond, -np.inf)), values.shape)
    limits = float(warn_at[car]), float(fail_at[car])
    place = int(car), int(seed), int(fails.any(axis=1).sum()), cars
    return Check(name, *_WORDS[name], float(values[car, seed]), *limits, lower_is_worse, *place)


def _mean_of_seeds(values: np.ndarray) -> np.ndarray:
    """The mean over the seeds of a car, in the place of each seed: scatter is not the settings'."""
    known = ~np.isnan(values)
    total = np.where(known, values, 0.0).sum(axis=1, keepdims=True)
    mean = total / np.maximum(known.sum(axis=1, keepdims=True), 1)
    return np.where(known, mean, np.nan)


def checks_of(runs: CaseRuns, is_fault: bool, at_rest: bool) -> list[Check]:
    """Hold all measures of a case against their limits; where something is broken some only warn.

    Moves count only ``at_rest``: where loads or starts ask for them they are readiness, not wear. Gives one a
    measure, on the worst car.
    """
    target, stall, of, never = runs.target_rpm, runs.stall_rpm, runs.of, math.inf
    lowest_fail = stall + LOWEST_FAIL * (target - stall)
    deepest = never if is_fault else DIP_FAIL * target
    flare, limited = of("start_flare_rpm"), 100.0 * runs.limited
    checks = [
        _worst("stalled", of("stalled"), never, 0.5),
        _worst(
            "lowest_rpm", of("lowest_rpm"), stall + LOWEST_WARN * (target - stall),
            -never if is_fault else lowest_fail, True,
        ),
        *_resting_checks(runs, is_fault),
        _worst("worst_below_target_rpm", of("worst_below_target_rpm"), DIP_WARN * target, deepest),
        _worst("blip_undershoot_rpm", of("blip_undershoot_rpm"), DIP_WARN * target, deepest),
        _worst(
            "highest_rpm", of("highest_rpm") - target[:, None], RACING_WARN * target, RACING_SHARE * target
        ),
        _worst("start_flare_rpm", flare, *START_FLARE_rpm),
        _worst("settle_s", _mean_of_seeds(of("settle_s")), SETTLE_WARN_s, never),
        _worst("limited_share", limited, 100.0 * LIMITED_WARN, never),
    ]  # fmt: skip
    if at_rest:
        most = never if is_fault else MOVES_FAIL
        checks.append(_worst("moves_per_min", _mean_of_seeds(of("moves_per_min")), MOVES_WARN, most))
    return checks


def _resting_checks(runs: CaseRuns, is_fault: bool) -> list[Check]:
    """Whether it idles where it should, and evenly."""
    floor, swing_rpm, chance = np.nan_to_num(runs.floor_rpm), runs.of("hunting_rpm"), runs.hunting
    most = math.inf if is_fault else HUNTING_FAIL * floor + HUNTING_FAIL_rpm
    surely = math.nan if chance is None else 100.0 * chance.low_share
    largest = np.where(swing_rpm == np.nanmax(swing_rpm, initial=0.0), surely, math.nan)
    error_rpm = _mean_of_seeds(np.abs(runs.of("mean_error_rpm")))
    wide = HUNTING_WARN * floor + HUNTING_WARN_rpm
    return [
        _worst("hunting_percent", largest, HUNTS_percent, math.inf),
        _worst("hunting_rpm", _mean_of_seeds(swing_rpm), wide, most),
        _worst("mean_error_rpm", error_rpm, ERROR_WARN_rpm, math.inf if is_fault else ERROR_FAIL_rpm),
    ]


def deciding(checks: Sequence[Check]) -> Check:
    """The check that decides a case: the worst verdict, and of those the one most strained."""
    return max(checks, key=lambda one: (ORDER.index(one.verdict), one.strain))
