"""What each measure of the score is worth, and named choices of it.

``balanced`` is meant for a road car; the others lean from there.  The numbers are our judgement, no
source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np

from sim.files import one_problem


@dataclass(frozen=True)
class Weights:
    """Weights of the score, each in rpm of score a unit.

    Attributes
    ----------
    hunting, error, excursion, undershoot : float
        For each rpm [-].
    settle_rpm_per_s : float
        For each second of settling [rpm per s].
    rpm_per_move_per_min : float
        For each move a minute [rpm].
    stall_rpm : float
        For each stall [rpm].
    """

    hunting: float = 1.0
    error: float = 1.0
    excursion: float = 0.5
    settle_rpm_per_s: float = 4.0
    undershoot: float = 0.5
    rpm_per_move_per_min: float = 0.4
    stall_rpm: float = 1000.0

    def in_order(self) -> np.ndarray:
        """The weights in the order of ``TERMS``.

        Gives shape (terms,).
        """
        return np.array(list(asdict(self).values()))


PRESETS: Mapping[str, Weights] = {
    "balanced": Weights(),
    "quiet": Weights(hunting=2.5, error=0.5, excursion=0.35, rpm_per_move_per_min=0.8),
    "quick": Weights(excursion=1.0, settle_rpm_per_s=10.0, rpm_per_move_per_min=0.15),
    "gentle": Weights(hunting=1.5, error=0.5, settle_rpm_per_s=2.5, rpm_per_move_per_min=2.0),
}
"""Named weights: balanced, or leaning to a quiet idle, quick recovery, a valve that rests."""


def weights_of(preset: str) -> Weights:
    """Find named weights.

    Gives the weights.
    """
    if preset not in PRESETS:
        message = f"there are no such weights ({preset}), allowed: {', '.join(PRESETS)}"
        raise one_problem("command line", 1, "preset", message)
    return PRESETS[preset]
