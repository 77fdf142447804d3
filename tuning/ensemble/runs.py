"""What candidate settings did on plausible cars, and what the score is made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tuning.ensemble.drives import ANSWER, HIGH, LOW, LOADS_AT_s
from tuning.measures import COLUMN, score_terms

LOADS = len(LOADS_AT_s)
ROW = 3 + 2 * LOADS + 1
"""Numbers kept of a run for the score: at rest three, two a load, one of the blip."""


@dataclass(frozen=True)
class Runs:
    """What candidates did on cars; all arrays begin (candidates, cars, drives, seeds) unless told otherwise.

    Attributes
    ----------
    rows : numpy.ndarray
        Shape (..., ``ROW``): what the score is made of; nan where a drive has no part in it, or a seed
        none in the drive.
    values : numpy.ndarray
        Shape (..., measures), as in ``measures.COLUMN``; all nan where they were not asked for.
    stalled, limited : numpy.ndarray
        1 where it stalled; share of the run spent at a trim limit [-].
    floor, held_swing : numpy.ndarray
        Shapes (cars,) and (cars, seeds): ``hunting_rpm`` and swing of the score with the valve held, warm
        [rpm].
    target_rpm : numpy.ndarray
        Shape (cars, drives) [rpm].
    """

    rows: np.ndarray
    values: np.ndarray
    stalled: np.ndarray
    limited: np.ndarray
    floor: np.ndarray
    held_swing: np.ndarray
    target_rpm: np.ndarray

    def of(self, name: str) -> np.ndarray:
        """One measure of all runs.

        Parameters
        ----------
        name : str

        Returns
        -------
        numpy.ndarray
            Shape (candidates, cars, drives, seeds); nan where a drive has no window for it.
        """
        column: np.ndarray = self.values[..., COLUMN[name]]
        return column

    @property
    def at_rest(self) -> np.ndarray:
        """Swing [rpm], mean error [rpm] and moves a minute: (candidates, cars, too high or low, seeds, 3)."""
        return np.asarray(self.rows[:, :, [HIGH, LOW], :, :3])

    @property
    def answers(self) -> np.ndarray:
        """Excursion [rpm] and settling [s] at each load: (candidates, cars, seeds, 2, loads)."""
        some = self.rows[:, :, ANSWER, :, 3 : 3 + 2 * LOADS]
        return np.asarray(some.reshape(*some.shape[:-1], 2, LOADS))

    @property
    def below_rpm(self) -> np.ndarray:
        """How far the speed falls below target after a blip: (candidates, cars, seeds) [rpm]."""
        return np.asarray(self.rows[:, :, ANSWER, :, -1])

    def terms(self) -> np.ndarray:
        """The terms of the score of each engine and seed, not weighed.

        Returns
        -------
        numpy.ndarray
            Shape (candidates, cars, seeds, terms), in the order of ``measures.TERMS``.
        """
        rest = self.at_rest
        return score_terms(
            rest[:, :, 0], rest[:, :, 1], self.held_swing[None], self.answers, self.below_rpm,
            self.stalled[:, :, [HIGH, LOW, ANSWER]].sum(axis=2),
        )  # fmt: skip


def known_mean(values: np.ndarray, axis: int) -> np.ndarray:
    """Mean of what is not nan, over an axis.

    Parameters
    ----------
    values : numpy.ndarray
    axis : int

    Returns
    -------
    numpy.ndarray
        nan where nothing is known.
    """
    known = ~np.isnan(values)
    count = known.sum(axis=axis)
    total = np.where(known, values, 0.0).sum(axis=axis)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
