"""A search looked at while it goes on, and settings judged when it was broken off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path
from typing import Any

from controllers import Feedback
from sim import Car
from tuning.ensemble import VERDICT, Samples, is_acceptable
from tuning.search.judge import Judge, budget_of
from tuning.search.objective import weights_of
from tuning.search.predicted import Prediction, predict
from tuning.search.space import LAW_KEYS, SEARCHED_LAWS, make_space
from tuning.search.tuned import Point, point
from tuning.studies import open_storage


@dataclass(frozen=True)
class SoFar:
    """What a study holds; points that are acceptable first, of them the best first.

    Attributes
    ----------
    trials, points : int, tuple of Point
    """

    trials: int
    points: tuple[Point, ...]

    @property
    def best(self) -> Point | None:
        """The best of them; None before there is one."""
        return self.points[0] if self.points else None


class Watch:
    """Reads the study that a search writes to a journal file, from within the same process or another."""

    def __init__(self, car: Car, storage: Path, law: str | None = None, keep: Sequence[str] = ()) -> None:
        laws = (law,) if law else tuple(dict.fromkeys((*SEARCHED_LAWS, car.feedback.law)))
        self._space = make_space(car, tuple(one for one in laws if one in LAW_KEYS), keep)
        self._storage, self._name = storage, f"tune {car.name}"
        self._study: Any = None

    def look(self) -> SoFar:
        """Read what is there; nothing while the search has not begun.

        Returns
        -------
        SoFar
        """
        import optuna

        if self._study is None:
            if not self._storage.is_file():
                return SoFar(0, ())
            try:
                self._study = optuna.load_study(
                    study_name=self._name, storage=open_storage(f"journal:{self._storage}").storage
                )
            except KeyError:  # the file is there, the study not yet
                return SoFar(0, ())
        found = []
        done = self._study.get_trials(deepcopy=False, states=(optuna.trial.TrialState.COMPLETE,))
        for trial in done:
            notes = trial.user_attrs.get("notes", {})
            if trial.value is not None and "failing_share" in notes:
                met = is_acceptable(notes["failing_share"])
                settings = self._space.settings(trial.params)
                found.append((not met, trial.value, point(settings, notes["measured"], notes["total"])))
        found.sort(key=itemgetter(0, 1))
        return SoFar(len(done), tuple(one for _, _, one in found))


@dataclass(frozen=True)
class Judged:
    """Present and other settings on the same fresh cars, with samples of both on the car as its file says."""

    now: Prediction
    then: Prediction
    samples: tuple[Samples, ...]


def judged(car: Car, settings: Feedback, *, preset: str = "balanced", seed: int = 0) -> Judged:
    """Judge present and other settings on cars that no search has met, as many as the quick budget has.

    Parameters
    ----------
    car, settings, preset, seed : Car, Feedback, str, int

    Returns
    -------
    Judged

    Raises
    ------
    InputError
        If there are no such weights.
    """
    size = budget_of("quick")
    judge = Judge(
        car, weights_of(preset), cars=size.verdict_cars, seeds=size.verdict_seeds, seed=seed,
        purpose=VERDICT, measures=True,
    )  # fmt: skip
    runs = judge.runs.run([car.feedback, settings])
    samples = tuple(judge.runs.samples([car.feedback, settings]))
    return Judged(predict(runs, 0), predict(runs, 1), samples)
