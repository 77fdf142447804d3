"""What settings must do before their score counts, on nine of ten cars that no search has met.

The limits are our judgement of what one would drive with; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tuning.ensemble import Runs, known_mean
from tuning.notes import Told

CARS_SHARE = 0.9
"""Share of the cars on which settings must do [-]."""
BACK_WITHIN_s = 6.0
"""Each load's coming and going must be over by then, mean over a car's seeds [s]."""
ERROR_rpm = 20.0
"""Largest mean error at rest [rpm]."""
LIMITED_SHARE = 0.1
"""Largest share of a drive at a trim limit [-]."""
CAUSES = ("stalls", "not_back", "error", "limited")


@dataclass(frozen=True)
class Acceptance(Told):
    """On how many cars settings do not do [-], and by which of ``CAUSES``."""

    TOLD = ("is_met", "failing_share", "failing")

    failing: Mapping[str, float]
    failing_share: float

    @property
    def is_met(self) -> bool:
        """Whether settings do on nine cars of ten, and none stalls on more than that."""
        return is_acceptable(self.failing_share)


def is_acceptable(failing_share: float) -> bool:
    """Whether settings that fail on this share of the cars may be used."""
    return failing_share <= 1.0 - CARS_SHARE + 1e-9


def acceptances(runs: Runs) -> list[Acceptance]:
    """Look whether candidates do."""
    stalls = runs.stalled.any(axis=(2, 3))
    settled_s = runs.answers[:, :, :, 1].mean(axis=2).max(axis=-1)
    error = np.abs(runs.at_rest[..., 1]).mean(axis=-1).max(axis=-1)
    limited = np.nan_to_num(known_mean(runs.limited, axis=-1)).max(axis=-1)
    failing = np.stack(
        [stalls, settled_s > BACK_WITHIN_s, error > ERROR_rpm, limited > LIMITED_SHARE], axis=-1
    )
    return [
        Acceptance(dict(zip(CAUSES, one.mean(axis=0).tolist(), strict=True)), float(one.any(-1).mean()))
        for one in failing
    ]
