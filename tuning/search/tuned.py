"""What a search for settings comes back with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from controllers import Feedback
from sim import Car
from tuning.ensemble import Samples
from tuning.notes import Note, Told
from tuning.search.choice import Plateau
from tuning.search.compared import PRESENT, Compared
from tuning.search.objective import Score, Weights
from tuning.search.predicted import Prediction
from tuning.search.reasons import Reason

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
class Front(Told):
    """The candidates, places of those that no other beats on all three wishes, and the one chosen."""

    TOLD = ("points", "chosen", "reason")

    points: tuple[Point, ...]
    on_front: tuple[int, ...]
    chosen: Point
    reason: tuple[Note, ...]

    @property
    def front(self) -> tuple[Point, ...]:
        """Points on the front, quietest first."""
        return tuple(sorted((self.points[i] for i in self.on_front), key=lambda p: p.quiet_rpm))

    def _told(self) -> dict[str, Any]:
        return {"points": self.front, "compared": len(self.points)}


def point(settings: Feedback, measured: Mapping[str, float], score_rpm: float) -> Point:
    """Place a candidate among the three wishes."""
    quiet, quick, wear = (measured[name] for name in AXES)
    return Point(settings, quiet, quick, wear, score_rpm)


def non_dominated(values: np.ndarray) -> np.ndarray:
    """Rows that no other row is at least as low as everywhere and lower somewhere (Pareto); of equals all.

    Parameters
    ----------
    values : numpy.ndarray, shape (points, wishes) [any]

    Returns
    -------
    numpy.ndarray of bool
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


@dataclass(frozen=True)
class Gap(Told):
    """The score in the search against the last word on cars and seeds the search never met."""

    TOLD = ("search_rpm", "verdict_rpm", "now_rpm", "share")

    search_rpm: float
    verdict_rpm: float
    now_rpm: float

    @property
    def share(self) -> float:
        """How much worse the verdict is than the search told, as a share of it [-]."""
        return self.verdict_rpm / max(self.search_rpm, 1e-9) - 1.0


@dataclass(frozen=True)
class Tuning(Told):
    """Settings found, and all that speaks for and against them.

    Attributes
    ----------
    car, settings, now, predicted, now_score, predicted_score : Car, Feedback, Prediction, Score
    weights, preset, budget, trials, engines, seconds, front : Weights, str, int, float, Front
    importance, plateau, gap, improvement_chance : dict, Plateau, Gap, float
    compared, proposed, reasons, notes, samples : tuple of Compared, str, tuples of Reason, Note and Samples
    """

    TOLD = (
        "settings", "now", "predicted", "trials", "engines", "seconds", "floor_rpm", "preset", "weights",
        "budget", "now_score", "predicted_score", "gap", "front", "importance", "plateau",
        "improvement_chance", "kept", "compared", "proposed", "reasons", "notes",
    )  # fmt: skip

    car: Car  # as proposed: all but ``[feedback]`` is as it was
    settings: Feedback  # as proposed, as the controller's entry form holds them
    now: Prediction  # the present and the proposed settings on the same fresh cars and seeds
    predicted: Prediction
    now_score: Score
    predicted_score: Score
    weights: Weights
    preset: str  # name of the weights, and of the size of the search
    budget: str
    trials: int
    engines: int  # different plausible cars met
    seconds: float  # time taken
    front: Front  # quiet against quick against wear
    importance: Mapping[str, float]  # which settings mattered, shares
    plateau: Plateau  # scores one entry step away
    gap: Gap  # search against verdict
    improvement_chance: float  # that one more trial betters the score by over 1 %: less, with 95 % confidence
    compared: tuple[Compared, ...]  # open loop, present, by rule, plain and found, on the same fresh cars
    proposed: str  # which of them: the found ones only where they beat all the others
    reasons: tuple[Reason, ...]  # why each number found has its value
    notes: tuple[Note, ...]  # what is said of the base curve, and of what is not acceptable
    samples: Sequence[Samples]  # the car as its file says at loads and a blip: present, then proposed

    @property
    def kept(self) -> bool:
        """Whether nothing better than the present settings was found."""
        return self.proposed == PRESENT

    @property
    def floor_rpm(self) -> float:
        """Swing of warm idle with the valve held: what no feedback can remove [rpm]."""
        return self.predicted.floor_rpm
