"""How good settings are, as one number in rpm, lower is better: weighted terms, leaning to the worst cars.

Source of the risk measure: Rockafellar & Uryasev, Optimization of conditional value-at-risk,
Journal of Risk 2 (2000), from memory; the weights are fixed for this project, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from sim.files import one_problem
from tuning.ensemble import Runs, is_acceptable, known_mean
from tuning.measures import TERMS
from tuning.notes import Told


@dataclass(frozen=True)
class Weights(Told):
    """Weights of the score in the order of its terms, each in rpm of score a unit."""

    hunting: float = 1.0
    error: float = 1.0
    moves_rpm_per_move_per_min: float = 0.4
    excursion: float = 0.5
    settling_rpm_per_s: float = 4.0
    undershoot: float = 0.5
    stalls_rpm: float = 1000.0

    def in_order(self) -> np.ndarray:
        """The weights in the order of ``measures.TERMS``."""
        return np.array(list(asdict(self).values()))


PRESETS: Mapping[str, Weights] = {
    "balanced": Weights(),
    "quiet": Weights(hunting=2.5, error=0.5, excursion=0.35, moves_rpm_per_move_per_min=0.8),
    "quick": Weights(excursion=1.0, settling_rpm_per_s=10.0, moves_rpm_per_move_per_min=0.15),
    "gentle": Weights(hunting=1.5, error=0.5, settling_rpm_per_s=2.5, moves_rpm_per_move_per_min=2.0),
}
"""Named weights: balanced, or leaning to a quiet idle, quick recovery, a valve that rests."""

WISHES: Mapping[str, tuple[str, ...]] = {
    "quiet": ("hunting",),
    "quick": ("excursion", "settling_rpm_per_s", "undershoot"),
    "wear": ("moves_rpm_per_move_per_min",),
}
"""What may be favoured, and the weights that it multiplies."""
MOST_FAVOURED = 20.0


def weights_of(preset: str) -> Weights:
    """Find named weights."""
    if preset not in PRESETS:
        message = f"there are no such weights ({preset}), allowed: {', '.join(PRESETS)}"
        raise one_problem("command line", 1, "preset", message)
    return PRESETS[preset]


def favoured(weights: Weights, wishes: Sequence[str]) -> Weights:
    """Weights with wishes such as ``quick:2`` taken in."""
    for wish in wishes:
        name, _, factor = wish.partition(":")
        try:
            times = float(factor or "2")
        except ValueError:
            times = 0.0
        if name not in WISHES or not 1.0 / MOST_FAVOURED <= times <= MOST_FAVOURED:
            message = (
                f"no such wish ({wish}), allowed: {', '.join(WISHES)}, each with a factor from"
                f" {1.0 / MOST_FAVOURED:g} to {MOST_FAVOURED:g}, such as quick:2"
            )
            raise one_problem("command line", 1, "favour", message)
        weights = replace(weights, **{key: times * getattr(weights, key) for key in WISHES[name]})
    return weights


BACK_WITHIN_s = 6.0  # Each load's coming and going must be over by then in half of a car's runs or more [s].
ERROR_rpm = 20.0  # Largest mean error at rest [rpm].
LIMITED_SHARE = 0.1  # Largest share of a drive at a trim limit [-].
HUNTS_TIMES, HUNTS_rpm = 1.5, 15.0
"""Swing at rest, over the same with the valve held and beyond it, from which settings hunt. Ours: no
calibrator would leave the car so, however well it answers loads. It is allowed on one car of ten, as all else
that fails is together."""
CAUSES = ("stalls", "not_back", "error", "limited", "hunts")
NEAR, FAR = 0.7, 1.3
"""Between these shares of a limit a car fails by degrees where a search is led: of a few cars with a few runs
each the share beyond the limit is mostly luck [-]."""
NEAR_SHARE = 0.2
"""Largest share by degrees: where a tenth is beyond its limits as much again is near (trials, twin) [-].
Where no more is beyond them, whether it is a tenth is chance: of 30 cars each is a thirtieth."""


@dataclass(frozen=True)
class Acceptance(Told):
    """On how many cars settings do not do [-], but for hunting, and by which of ``CAUSES``.

    ``near_share`` is of all causes, each car by degrees; ``by_load``: on how many a load is not over.
    """

    TOLD = ("is_met", "failing_share", "failing")

    failing: Mapping[str, float]
    failing_share: float
    near_share: float
    by_load: tuple[float, ...] = ()

    @property
    def is_met(self) -> bool:
        """Whether settings do on nine cars of ten, and hunt on no more than one of ten."""
        return is_acceptable(self.told_share)

    @property
    def may_be_met(self) -> bool:
        """The same as far as few cars tell."""
        return self.near_share <= NEAR_SHARE

    @property
    def told_share(self) -> float:
        """Share of the cars on which they fail or hunt, whichever is more [-]."""
        return max(self.failing_share, self.failing["hunts"])


def acceptances(runs: Runs) -> list[Acceptance]:
    """Look whether candidates do."""
    stalls = np.where(runs.stalled.any(axis=(2, 3)), math.inf, 0.0)
    error = np.abs(runs.at_rest[..., 1]).mean(axis=-1).max(axis=-1)
    limited = np.nan_to_num(known_mean(runs.limited, axis=-1)).max(axis=-1)
    swing, held = runs.at_rest[..., 0].mean(axis=-1).max(axis=-1), runs.held_swing.mean(axis=-1)
    hunts = swing / np.maximum(HUNTS_TIMES * held, held + HUNTS_rpm)
    back = np.median(runs.answers[:, :, :, 1], axis=2) / BACK_WITHIN_s  # one late wander would rule a mean
    over = np.stack([stalls, back.max(axis=-1), error / ERROR_rpm, limited / LIMITED_SHARE, hunts], axis=-1)
    failing, near = over > 1.0, np.clip((over.max(axis=-1) - NEAR) / (FAR - NEAR), 0.0, 1.0)
    shares, failed = failing.mean(axis=1), failing[..., :-1].any(axis=-1).mean(axis=-1)
    by_load = (back > 1.0).mean(axis=1)
    return [
        Acceptance(dict(zip(CAUSES, each.tolist(), strict=True)), float(share), float(degree), tuple(loads))
        for each, share, degree, loads in zip(
            shares, failed, near.mean(axis=-1), by_load.tolist(), strict=True
        )
    ]


WORST_SHARE, WORST_WEIGHT = 0.25, 0.5
"""Share of the cars that counts as the worst, and weight of their mean: that of all has the rest [-]."""
DEARER = 2.0
"""A search makes settings dearer by so much of their score for each car on which they are not acceptable, by
degrees, beyond those allowed: it is led to what is, and is not lost where nothing is [-]."""


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
        return searched_value(self.total, self.acceptance.near_share)

    @property
    def order(self) -> tuple[bool, float]:
        """What candidates are compared by: first what is acceptable, or but for chance; never what hunts."""
        accepted = self.acceptance
        calm = accepted.may_be_met and is_acceptable(accepted.failing["hunts"])
        met = accepted.is_met or (calm and accepted.failing_share <= NEAR_SHARE)
        return not met, self.total if met else self.value


def searched_value(total: float, near_share: float) -> float:
    """What the search minimises [rpm]."""
    return total * (1.0 + DEARER * max(0.0, near_share - NEAR_SHARE))


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
        total=total_of(by_car.tolist(), weights), mean=float(scores.mean()),
        worst=float(worst_mean(scores[None])[0]), terms=dict(zip(TERMS, shares.tolist(), strict=True)),
        measured=dict(zip(TERMS, by_car.mean(axis=0).tolist(), strict=True)),
        by_car=tuple(tuple(row) for row in by_car.tolist()), acceptance=accepted,
    )  # fmt: skip


def _car_shares(scores: np.ndarray) -> np.ndarray:
    """Weight that each car has in the total: its share of the mean, and of the worst quarter."""
    count = _worst(scores)
    shares = np.full(scores.shape, (1.0 - WORST_WEIGHT) / scores.size)
    worst = np.argsort(scores, kind="stable")[-count:]
    shares[worst] += WORST_WEIGHT / count
    return shares
