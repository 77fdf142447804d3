"""What a search for settings comes back with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from controllers import Feedback
from sim import Car
from tuning.ensemble import Samples
from tuning.notes import Note
from tuning.search.compared import PRESENT, Compared
from tuning.search.objective import Score
from tuning.search.pareto import Front, settings_dict
from tuning.search.plateau import Plateau
from tuning.search.predicted import Prediction
from tuning.search.reasons import Reason
from tuning.search.weights import Weights


@dataclass(frozen=True)
class Gap:
    """The score in the search against the last word on cars and seeds the search never met."""

    search_rpm: float
    verdict_rpm: float
    now_rpm: float

    @property
    def share(self) -> float:
        """How much worse the verdict is than the search told, as a share of it [-]."""
        return self.verdict_rpm / max(self.search_rpm, 1e-9) - 1.0

    def to_dict(self) -> dict[str, float]:
        """Give it as plain values."""
        return {**asdict(self), "share": self.share}


@dataclass(frozen=True)
class Tuning:
    """Settings found, and all that speaks for and against them.

    Attributes
    ----------
    car : Car
        The car with the settings found; nothing but ``[feedback]`` differs.
    settings : Feedback
        The settings proposed, as the controller's entry form holds them.
    now, predicted : Prediction
        What the present and the proposed settings do on the same fresh cars and seeds.
    now_score, predicted_score : Score
    weights : Weights
    preset, budget : str
        Names of the weights and of the size of the search.
    trials : int
    engines : int
        Different plausible cars met.
    seconds : float
    front : Front
        Quiet against quick against wear.
    importance : dict
        Which settings mattered, shares [-].
    plateau : Plateau
        Scores one entry step away.
    gap : Gap
        Search against verdict.
    improvement_chance : float
        With 95 % confidence one more trial would improve the score by more than 1 % with less
        than this chance [-].
    compared : tuple of Compared
        Open loop, present, the rule's, the plain and the found settings on the same fresh cars.
    proposed : str
        Which of them is proposed: the found ones only where they beat all the others.
    reasons : tuple of Reason
        Why each number has its value, of the settings found.
    notes : tuple of Note
        What is said about the base curve, and where settings are not acceptable.
    samples : tuple of Samples
        The car as its file says at loads and a blip: present settings, then those proposed.
    """

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
    def accepted(self) -> bool:
        """Whether the settings proposed do on nine cars of ten."""
        return self.predicted_score.acceptance.is_met

    @property
    def floor_rpm(self) -> float:
        """Swing of warm idle with the valve held: what no feedback can remove [rpm]."""
        return self.predicted.floor_rpm

    def to_dict(self) -> dict[str, Any]:
        """Give it as plain values, for JSON.

        Returns
        -------
        dict
            ``settings``, ``now``, ``predicted``, ``trials``, ``engines``, ``seconds`` as the
            contract has them, and the rest by name.
        """
        return {
            "settings": settings_dict(self.settings),
            "now": self.now.to_dict(),
            "predicted": self.predicted.to_dict(),
            "trials": self.trials,
            "engines": self.engines,
            "seconds": self.seconds,
            "floor_rpm": self.floor_rpm,
            "preset": self.preset,
            "weights": asdict(self.weights),
            "budget": self.budget,
            "now_score": self.now_score.to_dict(),
            "predicted_score": self.predicted_score.to_dict(),
            "gap": self.gap.to_dict(),
            "front": self.front.to_dict(),
            "importance": dict(self.importance),
            "plateau": self.plateau.to_dict(),
            "improvement_chance": self.improvement_chance,
            "kept": self.kept,
            "compared": [one.to_dict() for one in self.compared],
            "proposed": self.proposed,
            "reasons": [one.to_dict() for one in self.reasons],
            "notes": list(self.notes),
        }
