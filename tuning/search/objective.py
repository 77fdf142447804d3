"""How good settings are, as one number in rpm: what is weighed, and what is not allowed at all.

Score of a car, in rpm (lower is better): the weighted sum of

* hunting beyond the held-valve floor: mean over seeds of ``hunting_rpm`` less the same with the
  valve held, at least 0; the base curve is wrong by up to 3 steps either way;
* mean error beyond 15 rpm: size of ``mean_error_rpm`` less 15, at least 0;
* excursion: the larger of dip and flare, mean over loads coming and going;
* settling: seconds until the last time outside the larger of 45 rpm and the floor, mean;
* undershoot beyond 40 rpm below the target after a blip;
* moves of the valve a minute;
* stalls.

Each is averaged over seeds, then over drives (warm counts twice).  Over the cars the score leans to
the worst: half the mean, half the mean of the worst quarter (the conditional value at risk).
Hard limits go first: settings that break one on any run rank behind all that do not.  Nor should an
engine be seen to hunt at all: hunting beyond 6 % of the held-valve floor, on any car, counts five
times: a tenth is allowed, and other cars may hunt a little more.  What the settings are that the
car has now takes no part: with what is worse than they are weighed more, settings stayed near them,
and on engines of another structure, fitted and given default settings, scores were a tenth worse
(median of four, measured).
Source of the risk measure: Rockafellar & Uryasev, Optimization of conditional value-at-risk,
Journal of Risk 2 (2000), from memory; the weights are our judgement, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tuning.ensemble import Runs, known_mean
from tuning.search.weights import Weights

TERMS = ("hunting", "error", "excursion", "settling", "undershoot", "moves", "stalls")
"""What the score is the sum of, in order."""
WORST_SHARE = 0.25
"""Share of the cars that counts as the worst ones [-]."""
WORST_WEIGHT = 0.5
"""Weight of their mean; the mean of all cars has the rest [-]."""
DRIVE_WEIGHTS = (2.0, 1.0)
"""Weights of the search drives, warm and cold [-]."""
ERROR_FREE_rpm = 15.0
UNDERSHOOT_FREE_rpm = 40.0
UNSEEN_SHARE = 0.06
"""Hunting below this share of the held-valve floor is not seen [-]."""
SEEN_WEIGHT = 4.0
"""How much more hunting weighs beyond that, mean over cars [-]."""
RANKED_BEHIND = 100_000.0
"""Added to the value of settings that break a hard limit [rpm]."""


@dataclass(frozen=True)
class Limits:
    """What no run on any car may do.

    Attributes
    ----------
    lowest_share : float
        rpm may not fall below stall + this share of the way from there to the target [-].
    limited_share : float
        Mean over a car's runs of the time spent at a trim limit [-].
    """

    lowest_share: float = 0.3
    limited_share: float = 0.2


STRICT = Limits(lowest_share=0.35, limited_share=0.1)
"""Limits while searching, so that other cars still keep the real ones."""


@dataclass(frozen=True)
class Score:
    """What one candidate is worth.

    Attributes
    ----------
    value : float
        What the search minimises: ``total`` and ``seen``, and far more if a hard limit is
        broken [rpm].
    total : float
        The score over all cars, leaning to the worst [rpm].
    mean, worst : float
        Mean over all cars and over the worst quarter [rpm].
    seen : float
        For hunting that is seen, beyond its share of ``total`` [rpm].
    terms : dict
        Names of ``TERMS`` to their weighted share of ``total`` [rpm].
    measured : dict
        The same not weighted, mean over cars, in their own units.
    broken : dict
        Hard limits that are broken, by how much: ``stalls`` [-], ``lowest`` [rpm],
        ``limited`` [-].
    worst_car : int
        Which car has the highest score [-].
    """

    value: float
    total: float
    mean: float
    worst: float
    seen: float
    terms: Mapping[str, float]
    measured: Mapping[str, float]
    broken: Mapping[str, float]
    worst_car: int

    @property
    def allowed(self) -> bool:
        """Whether no hard limit is broken."""
        return not self.broken

    def to_dict(self) -> dict[str, Any]:
        """Give the score as plain values.

        Gives fields by name.
        """
        return {key: dict(v) if isinstance(v, Mapping) else v for key, v in vars(self).items()}


def _over_drives(by_drive: np.ndarray) -> np.ndarray:
    """Weighted mean over the last axis of what is not nan; 0 where nothing is."""
    given = DRIVE_WEIGHTS[: by_drive.shape[-1]]
    weights = np.where(np.isnan(by_drive), 0.0, np.array(given))
    total = (np.nan_to_num(by_drive) * weights).sum(axis=-1)
    return total / np.maximum(weights.sum(axis=-1), 1e-12)


def raw_terms(runs: Runs) -> np.ndarray:
    """What the score weighs, a car at a time.

    Gives shape (candidates, cars, terms), in the order of ``TERMS``: rpm, rpm, rpm, s, rpm, moves a
    minute, stalls a run.
    """
    hunting = np.maximum(known_mean(runs.of("hunting_rpm"), -1) - runs.floor, 0.0)
    error = np.maximum(np.abs(runs.of("mean_error_rpm")) - ERROR_FREE_rpm, 0.0)
    undershoot = np.maximum(runs.of("blip_undershoot_rpm") - UNDERSHOOT_FREE_rpm, 0.0)
    by_drive = [
        hunting,
        *(
            known_mean(one, -1)
            for one in (
                error,
                runs.of("excursion_rpm"),
                runs.of("settle_s"),
                undershoot,
                runs.of("moves_per_min"),
                runs.of("stalled"),
            )
        ),
    ]
    return np.stack([_over_drives(one) for one in by_drive], axis=-1)


def _broken(runs: Runs, limits: Limits) -> list[dict[str, float]]:
    """Which hard limits each candidate breaks, and by how much."""
    stalls = runs.of("stalled").sum(axis=(1, 2, 3))
    stall_rpm = runs.stall_rpm[:, None]
    floor = stall_rpm + limits.lowest_share * (runs.target_rpm - stall_rpm)
    lowest = np.minimum(_least(runs.of("lowest_rpm")), _least(runs.of("start_lowest_rpm")))
    short = np.max(floor - lowest, axis=(1, 2))
    limited = np.max(runs.limited.mean(axis=-1), axis=(1, 2)) - limits.limited_share
    found = []
    for k in range(len(runs.values)):
        excess = {"stalls": stalls[k], "lowest": short[k], "limited": limited[k]}
        found.append({name: float(value) for name, value in excess.items() if value > 0.0})
    return found


def _least(values: np.ndarray) -> np.ndarray:
    """Least over the seeds of what is not nan; infinite where nothing is."""
    return np.where(np.isnan(values), np.inf, values).min(axis=-1)


def worst_mean(by_car: np.ndarray) -> np.ndarray:
    """Mean of the worst quarter of the cars, at least one.

    Gives shape (candidates,): conditional value at risk [rpm].
    """
    count = max(1, math.ceil(WORST_SHARE * by_car.shape[-1] - 1e-9))
    worst: np.ndarray = np.sort(by_car, axis=-1)[..., -count:].mean(axis=-1)
    return worst


def seen_hunting_rpm(runs: Runs, raw: np.ndarray, weights: Weights) -> np.ndarray:
    """What settings cost under which an engine is seen to hunt.

    Gives shape (candidates,), 0 where no car is seen to hunt [rpm].
    """
    unseen = UNSEEN_SHARE * _over_drives(runs.floor)
    beyond = np.maximum(raw[..., TERMS.index("hunting")] - unseen, 0.0)
    cost: np.ndarray = SEEN_WEIGHT * weights.hunting * beyond.mean(axis=-1)
    return cost


def score(
    runs: Runs,
    weights: Weights,
    limits: Limits | None = None,
) -> list[Score]:
    """Score candidates.

    Gives one a candidate, in order.
    """
    raw = raw_terms(runs)
    weighted = raw * weights.in_order()
    by_car = weighted.sum(axis=-1)
    mean, worst = by_car.mean(axis=-1), worst_mean(by_car)
    total = (1.0 - WORST_WEIGHT) * mean + WORST_WEIGHT * worst
    leaning = _car_shares(by_car)
    seen = seen_hunting_rpm(runs, raw, weights)
    found = []
    for k, broken in enumerate(_broken(runs, limits or Limits())):
        shares = (weighted[k] * leaning[k][:, None]).sum(axis=0)
        found.append(
            Score(
                value=float(total[k] + seen[k])
                + (RANKED_BEHIND + _size(broken) if broken else 0.0),
                total=float(total[k]),
                mean=float(mean[k]),
                worst=float(worst[k]),
                seen=float(seen[k]),
                terms=dict(zip(TERMS, shares.tolist(), strict=True)),
                measured=dict(zip(TERMS, raw[k].mean(axis=0).tolist(), strict=True)),
                broken=broken,
                worst_car=int(np.argmax(by_car[k])),
            )
        )
    return found


def _car_shares(by_car: np.ndarray) -> np.ndarray:
    """Weight that each car has in the total: its share of the mean, and of the worst quarter."""
    count = max(1, math.ceil(WORST_SHARE * by_car.shape[-1] - 1e-9))
    shares = np.full(by_car.shape, (1.0 - WORST_WEIGHT) / by_car.shape[-1])
    worst = np.argsort(by_car, axis=-1, kind="stable")[..., -count:]
    np.put_along_axis(
        shares, worst, np.take_along_axis(shares, worst, -1) + WORST_WEIGHT / count, -1
    )
    return shares


def _size(broken: Mapping[str, float]) -> float:
    """How badly limits are broken, so that a search finds its way back [rpm]."""
    return (
        1000.0 * broken.get("stalls", 0.0)
        + broken.get("lowest", 0.0)
        + 1000.0 * broken.get("limited", 0.0)
    )
