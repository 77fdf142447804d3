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
    car, settings : Car, Feedback
        Both as proposed, as the controller's entry form holds them; all but ``[feedback]`` is as it was.
    now, predicted, now_score, predicted_score : Prediction, Score
        The present and the proposed settings on the same fresh cars and seeds.
    weights, preset, budget : Weights, str, str
        Their names are of the weights and of the size of the search.
    trials, engines, seconds : int, int, float
        Different plausible cars met; time taken [s].
    front, importance, plateau, gap : Front, dict, Plateau, Gap
        Quiet against quick against wear; which settings mattered, shares; scores one entry step away; search
        against verdict [-].
    improvement_chance : float
        With 95 % confidence one more trial would improve the score by more than 1 % with less
        than this chance [-].
    compared, proposed : tuple of Compared, str
        Open loop, present, the rule's, the plain and the found settings on the same fresh cars; which of them
        is proposed: the found ones only where they beat all the others.
    reasons, notes : tuple of Reason, tuple of Note
        Why each number found has its value; what is said of the base curve, and of what is not acceptable.
    samples : tuple of Samples
        The car as its file says at loads and a blip: present settings, then those proposed.
    """

    TOLD = (
        "settings", "now", "predicted", "trials", "engines", "seconds", "floor_rpm", "preset", "weights",
        "budget", "now_score", "predicted_score", "gap", "front", "importance", "plateau",
        "improvement_chance", "kept", "compared", "proposed", "reasons", "notes",
    )  # fmt: skip

    car: Car
    settings: Feedback
    now: Prediction
    predicted: Prediction
    now_score: Score
    predicted_score: Score
    weights: Weights
    preset: str
    budget: str
    trials: int
    engines: int
    seconds: float
    front: Front
    importance: Mapping[str, float]
    plateau: Plateau
    gap: Gap
    improvement_chance: float
    compared: tuple[Compared, ...]
    proposed: str
    reasons: tuple[Reason, ...]
    notes: tuple[Note, ...]
    samples: Sequence[Samples]

    @property
    def kept(self) -> bool:
        """Whether nothing better than the present settings was found."""
        return self.proposed == PRESENT

    @property
    def floor_rpm(self) -> float:
        """Swing of warm idle with the valve held: what no feedback can remove [rpm]."""
        return self.predicted.floor_rpm
