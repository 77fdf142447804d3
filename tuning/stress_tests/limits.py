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
from tuning.starts import STABLE_s

PASS, WARN, FAIL = "pass", "warn", "fail"
ORDER = (PASS, WARN, FAIL)


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


def stress_limits(target_rpm: Limit, stall_rpm: Limit, floor_rpm: Limit) -> dict[str, tuple[Limit, Limit]]:
    """Both limits of each measure by its name: beyond the first it needs work, beyond the second it fails."""
    never, way_rpm = math.inf, target_rpm - stall_rpm
    return {
        "stalled": (never, 0.5),
        "lowest_rpm": (stall_rpm + 0.3 * way_rpm, stall_rpm + 0.1 * way_rpm),
        "hunting_percent": (50.0, never),  # low end of the interval: surely more often than not
        "hunting_rpm": (1.25 * floor_rpm + 5.0, 2.0 * floor_rpm + 20.0),
        "mean_error_rpm": (50.0, 120.0),  # at rest, whatever the deadband allows
        "worst_below_target_rpm": (0.15 * target_rpm, 0.35 * target_rpm),
        "blip_undershoot_rpm": (0.15 * target_rpm, 0.35 * target_rpm),
        "highest_rpm": (0.4 * target_rpm, 0.6 * target_rpm),  # above target; then it races: switch off
        "start_flare_rpm": (400.0, 800.0),  # above target just after a start
        # From a load, or a blip, to speed that stays near its target; scatter lengthens it.
        **dict.fromkeys(("settle_s", "worst_settle_s", "blip_settle_s"), (8.0, never)),
        "start_stable_s": (STABLE_s, never),
        "limited_share": (25.0, never),  # of the time, at a trim limit [%]
        "moves_per_min": (60.0, 240.0),  # where nothing asks the valve to move but scatter
    }


BY_STALL_OR_RACING = ("stalled", "highest_rpm", "start_flare_rpm")


def checks_of(runs: CaseRuns, is_fault: bool, at_rest: bool) -> list[Check]:
    """Hold all measures of a case against their limits; where something is broken most only warn.

    Moves count only ``at_rest``: where loads or starts ask for them they are readiness, not wear. Gives one a
    measure, on the worst car.
    """
    of, swing_rpm, chance = runs.of, runs.of("hunting_rpm"), runs.hunting
    surely = math.nan if chance is None else 100.0 * chance.low_share
    values = {
        **{name: of(name) for name in ("stalled", "lowest_rpm")},
        "hunting_percent": np.where(swing_rpm == np.nanmax(swing_rpm, initial=0.0), surely, math.nan),
        "hunting_rpm": _mean_of_seeds(swing_rpm),
        "mean_error_rpm": _mean_of_seeds(np.abs(of("mean_error_rpm"))),
        **{name: of(name) for name in ("worst_below_target_rpm", "blip_undershoot_rpm")},
        "highest_rpm": of("highest_rpm") - runs.target_rpm[:, None],
        "start_flare_rpm": of("start_flare_rpm"), "settle_s": _mean_of_seeds(of("settle_s")),
        "limited_share": 100.0 * runs.limited,
    }  # fmt: skip
    if at_rest:
        values["moves_per_min"] = _mean_of_seeds(of("moves_per_min"))
    limits, checks = stress_limits(runs.target_rpm, runs.stall_rpm, np.nan_to_num(runs.floor_rpm)), []
    for name, value in values.items():
        (warn, fail), lower = limits[name], name == "lowest_rpm"
        if is_fault and name not in BY_STALL_OR_RACING:
            fail = -math.inf if lower else math.inf
        checks.append(_worst(name, value, warn, fail, lower))
    return checks


def deciding(checks: Sequence[Check]) -> Check:
    """The check that decides a case: the worst verdict, and of those the one most strained."""
    return max(checks, key=lambda one: (ORDER.index(one.verdict), one.strain))
