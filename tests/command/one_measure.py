"""The least that needs compiled code: one measure of a few samples."""

from __future__ import annotations

import numpy as np

from tuning.measures.scan import extremes


def measure_one() -> None:
    """Find the lowest and highest of three samples."""
    assert extremes(np.array([900.0, 880.0, 910.0], dtype=np.float32), 0, 3)[:2] == (880.0, 910.0)
