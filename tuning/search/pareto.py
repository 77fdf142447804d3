"""Many settings, not one: what a quieter idle costs in quickness and in wear of the valve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from controllers import Feedback
from tuning.notes import Note, Told, plain

AXES = ("hunting", "settling", "moves")
"""Terms of the score that the front weighs against each other: quiet, quick and wear."""


@dataclass(frozen=True)
class Point(Told):
    """One candidate among the three wishes, means over cars."""

    settings: Feedback
    quiet_rpm: float
    quick_s: float
    wear_per_min: float
    score_rpm: float


@dataclass(frozen=True)
class Front:
    """The candidates, places of those that no other beats on all three wishes, and the one chosen."""

    points: tuple[Point, ...]
    on_front: tuple[int, ...]
    chosen: Point
    reason: tuple[Note, ...]

    @property
    def front(self) -> tuple[Point, ...]:
        """Points on the front, quietest first."""
        return tuple(sorted((self.points[i] for i in self.on_front), key=lambda p: p.quiet_rpm))

    def to_dict(self) -> dict[str, Any]:
        """Give it as plain values."""
        told = {"points": self.front, "chosen": self.chosen, "reason": self.reason}
        return {**plain(told), "compared": len(self.points)}


def point(settings: Feedback, measured: Mapping[str, float], score_rpm: float) -> Point:
    """Place a candidate among the three wishes."""
    quiet, quick, wear = (measured[name] for name in AXES)
    return Point(settings, quiet, quick, wear, score_rpm)


def non_dominated(values: np.ndarray) -> np.ndarray:
    """Rows that no other row is at least as low as everywhere and lower somewhere.

    Parameters
    ----------
    values : numpy.ndarray
        Shape (points, wishes), lower is better [any].

    Returns
    -------
    numpy.ndarray
        Shape (points,), bool; of equal rows all or none.

    Notes
    -----
    Source: definition of Pareto dominance.
    """
    as_good = np.all(values[None, :, :] <= values[:, None, :], axis=2)
    better = np.any(values[None, :, :] < values[:, None, :], axis=2)
    return np.asarray(~np.any(as_good & better, axis=1))


def pareto_front(points: Sequence[Point], chosen: Point, reason: tuple[Note, ...]) -> Front:
    """Find the front of candidates."""
    ordered = sorted(points, key=lambda p: p.score_rpm)
    if not ordered:
        return Front((chosen,), (0,), chosen, reason)
    values = np.array([[p.quiet_rpm, p.quick_s, p.wear_per_min] for p in ordered])
    _, first = np.unique(values, axis=0, return_index=True)
    distinct = np.isin(np.arange(len(ordered)), first)
    best = non_dominated(values) & distinct
    return Front(tuple(ordered), tuple(np.flatnonzero(best).tolist()), chosen, reason)
