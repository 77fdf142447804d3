"""How good settings are, as one number in rpm, lower is better: weighted terms, leaning to the worst cars.

Source of the risk measure: Rockafellar & Uryasev, Optimization of conditional value-at-risk,
Journal of Risk 2 (2000), from memory; the weights are fixed for this project, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tuning.ensemble import Runs
from tuning.measures import TERMS
from tuning.notes import Told
from tuning.search.acceptance import CARS_SHARE, Acceptance, acceptances
from tuning.search.weights import Weights

WORST_SHARE = 0.25
"""Share of the cars that counts as the worst ones [-]."""
WORST_WEIGHT = 0.5
"""Weight of their mean; the mean of all cars has the rest [-]."""
DEARER = 1.0
"""A search makes settings dearer by this share for the cars on which they are not acceptable,
beyond those allowed: it is led to what is, and is not lost where nothing is [-]."""


@dataclass(frozen=True)
class Score(Told):
    """What one candidate is worth [rpm]; ``terms`` weighted, ``measured`` and ``by_car`` in own units."""

    TOLD = ("total", "mean", "worst", "terms", "measured", "acceptance")

    total: float
    mean: float
    worst: float
    terms: Mapping[str, float]
    measured: Mapping[str, float]
    by_car: tuple[tuple[float, ...], ...]
    acceptance: Acceptance

    @property
    def value(self) -> float:
        """What the search minimises: ``total``, and more where they are not acceptable [rpm]."""
        return searched_value(self.total, self.acceptance.failing_share)

    @property
    def order(self) -> tuple[bool, float]:
        """What candidates are compared by, what is acceptable first."""
        met = self.acceptance.is_met
        return not met, self.total if met else self.value


def searched_value(total: float, failing_share: float) -> float:
    """What the search minimises [rpm]."""
    return total * (1.0 + DEARER * max(0.0, failing_share - (1.0 - CARS_SHARE)))


def worst_mean(by_car: np.ndarray) -> np.ndarray:
    """Mean of the worst quarter of the cars: conditional value at risk [rpm]."""
    worst: np.ndarray = np.sort(by_car, axis=-1)[..., -_worst(by_car) :].mean(axis=-1)
    return worst


def _worst(by_car: np.ndarray) -> int:
    return max(1, math.ceil(WORST_SHARE * by_car.shape[-1] - 1e-9))


def total_of(by_car: Sequence[Sequence[float]], weights: Weights) -> float:
    """Score of cars from each car's terms, which are not weighted [rpm]."""
    scores = np.asarray(by_car, dtype=float) @ weights.in_order()
    mean, worst = float(scores.mean()), float(worst_mean(scores[None])[0])
    return (1.0 - WORST_WEIGHT) * mean + WORST_WEIGHT * worst


def score(runs: Runs, weights: Weights) -> list[Score]:
    """Score candidates."""
    return [
        _one(by_car, weights, accepted)
        for by_car, accepted in zip(runs.terms().mean(axis=2), acceptances(runs), strict=True)
    ]


def _one(by_car: np.ndarray, weights: Weights, accepted: Acceptance) -> Score:
    weighted = by_car * weights.in_order()
    scores = weighted.sum(axis=-1)
    shares = (weighted * _car_shares(scores)[:, None]).sum(axis=0)
    return Score(
        total=total_of(by_car.tolist(), weights),
        mean=float(scores.mean()),
        worst=float(worst_mean(scores[None])[0]),
        terms=dict(zip(TERMS, shares.tolist(), strict=True)),
        measured=dict(zip(TERMS, by_car.mean(axis=0).tolist(), strict=True)),
        by_car=tuple(tuple(row) for row in by_car.tolist()),
        acceptance=accepted,
    )


def _car_shares(scores: np.ndarray) -> np.ndarray:
    """Weight that each car has in the total: its share of the mean, and of the worst quarter."""
    count = _worst(scores)
    shares = np.full(scores.shape, (1.0 - WORST_WEIGHT) / scores.size)
    worst = np.argsort(scores, kind="stable")[-count:]
    shares[worst] += WORST_WEIGHT / count
    return shares
