"""What a search for settings comes back with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controllers import Feedback
from sim import Car
from tuning.ensemble import Samples
from tuning.notes import Note, Told
from tuning.search.choice import Plateau
from tuning.search.compared import PRESENT, Compared
from tuning.search.objective import Score
from tuning.search.pareto import Front
from tuning.search.predicted import Prediction
from tuning.search.reasons import Reason
from tuning.search.weights import Weights


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
