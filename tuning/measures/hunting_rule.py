"""The rule by which a swing is called hunting, for one run or many."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

REGULAR = 1.0
"""Hunting is regular: its ``regularity`` is above this [-]."""
REPEATING = 0.2
"""Hunting larger than the known floor repeats: its ``repeat_share`` is above this [-]."""
REPEATING_ALONE = 0.45
"""Where the floor is not known its ``repeat_share`` must be above this [-]."""
ABOVE_FLOOR = 1.3
"""Hunting is larger than this many times the swing with the valve held [-]."""
SMALLEST_HUNTING_rpm = 5.0
"""A swing below this is not called hunting however regular: nobody hears it [rpm]."""


def hunts(
    hunting_rpm: ArrayLike,
    regularity: ArrayLike,
    repeat_share: ArrayLike,
    floor_rpm: ArrayLike | None,
) -> NDArray[np.bool_]:
    """Tell which runs hunt, by the rule of ``measures.is_hunting``.

    Parameters
    ----------
    hunting_rpm, regularity, repeat_share : array_like
        Measures of the runs, of one shape [rpm, -, -].
    floor_rpm : array_like or None
        Swing with the valve held, of a shape that goes with theirs [rpm]; None: not known.

    Returns
    -------
    numpy.ndarray
        Their shape, bool; False also where a measure is nan.

    Notes
    -----
    Source: as of ``measures.is_hunting``.
    """
    repeating = REPEATING_ALONE if floor_rpm is None else REPEATING
    floor = 0.0 if floor_rpm is None else np.asarray(floor_rpm)
    large = np.asarray(hunting_rpm) > np.maximum(SMALLEST_HUNTING_rpm, ABOVE_FLOOR * floor)
    regular = np.asarray(regularity) > REGULAR
    return np.asarray(large & regular & (np.asarray(repeat_share) > repeating))
