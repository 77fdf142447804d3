"""What the model leaves unexplained: scatter that has a memory, in speed and pressure together.

Scatter swings speed and pressure for a second or two, each with the other.  Residuals are turned
into independent ones by a short vector autoregression, so that each tells once what it tells; a
share of plain noise is added to it, so that what the model's structure cannot follow does not
weigh as if it could.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.identification.valve_area import Floats

FIRST_GUESS = np.array([12.0, 0.6])
"""Standard deviations that a first fit takes [rpm, kPa]."""
LEAST = np.array([1.0, 0.1])
"""Least standard deviations: recorders round [rpm, kPa]."""
PLAIN_SHARE = np.array([0.1, 1.0])
"""Plain noise added to the innovations, over the standard deviation [-]: our judgement, made on
engines of other structure.  Pressure can be predicted from its own past and speed to a tenth of
its scatter, which would let how the manifold fills outweigh how the crank answers."""
ROWS_PER_ORDER = 100
LONGEST_ORDER = 3
GAP_SHARE = 1.6
"""Slots farther apart than this many usual spacings do not follow each other [-]."""


@dataclass(frozen=True, eq=False)
class Noise:
    """A noise model."""

    sd: Floats  # shape (signals,): standard deviations [rpm, kPa]
    memory: tuple[Floats, ...]  # (signals, signals) each: how residuals follow from those slots ago
    whiten: Floats  # shape (signals, signals): what is new to unit variance

    def independent(self, residuals: Floats, follows: NDArray[np.int64]) -> Floats:
        """Turn residuals into independent ones of unit variance [-]."""
        order = len(self.memory)
        plain = residuals / self.sd
        if order == 0:
            return plain
        new = residuals.copy()
        for back, matrix in enumerate(self.memory, 1):
            new[back:] -= residuals[:-back] @ matrix.T
        return np.where((follows >= order)[:, None], new @ self.whiten.T, plain)


def rows_that_follow(time_s: Floats) -> NDArray[np.int64]:
    """Count, for each row, the rows before it without a gap."""
    rows = np.arange(time_s.size)
    if time_s.size < 2:
        return rows
    spacing = np.diff(time_s)
    breaks = np.concatenate([[True], spacing > GAP_SHARE * np.median(spacing)])
    return rows - np.maximum.accumulate(np.where(breaks, rows, 0))


def first_noise(signals: int) -> Noise:
    """Noise that a first fit takes: no memory."""
    return Noise(FIRST_GUESS[:signals], (), np.eye(signals))


def estimate_noise(residuals: Sequence[Floats], follows: Sequence[NDArray[np.int64]]) -> Noise:
    """Estimate a noise model from residuals.

    Source: least-squares estimate of a vector autoregression, Lutkepohl, New Introduction to Multiple
    Time Series Analysis (2005), ch. 3; standard deviations by the median.
    """
    together = np.concatenate(list(residuals))
    signals = together.shape[1]
    sd = np.maximum(1.4826 * np.median(np.abs(together), axis=0), LEAST[:signals])
    order = int(np.clip(len(together) // ROWS_PER_ORDER, 0, LONGEST_ORDER))
    past, now = [], []
    for values, count in zip(residuals, follows, strict=True):
        at = np.flatnonzero(count >= order)
        now.append(values[at])
        past.append(np.hstack([values[at - back] for back in range(1, order + 1)] or [values[at]]))
    if order == 0 or sum(map(len, now)) < ROWS_PER_ORDER:
        return Noise(sd, (), np.eye(signals))
    x, y = np.vstack(past), np.vstack(now)
    weights = np.linalg.lstsq(x, y, rcond=None)[0]
    new = y - x @ weights
    covariance = new.T @ new / len(new) + np.diag((PLAIN_SHARE[:signals] * sd) ** 2)
    memory = tuple(np.asarray(weights[i * signals : (i + 1) * signals].T, np.float64) for i in range(order))
    return Noise(sd, memory, np.linalg.inv(np.linalg.cholesky(covariance)))
