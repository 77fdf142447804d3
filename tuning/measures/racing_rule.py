"""The rule by which an idle is called racing."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

RACING_SHARE = 0.5
"""An idle whose mean speed is above its target by more than this share of it races [-]."""


def races(mean_error_rpm: ArrayLike, target_rpm: ArrayLike) -> NDArray[np.bool_]:
    """Tell which runs race, whether they swing or not: nothing else matters then.

    Parameters
    ----------
    mean_error_rpm, target_rpm : array_like
        Mean of target less speed, and the target, of shapes that go together [rpm].

    Returns
    -------
    numpy.ndarray of bool
        False also where the mean is nan.
    """
    return np.asarray(np.asarray(mean_error_rpm) < -RACING_SHARE * np.asarray(target_rpm))
