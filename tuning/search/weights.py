"""What each term of the score is worth, and named choices of it; our judgement, no source."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from sim.files import one_problem
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
