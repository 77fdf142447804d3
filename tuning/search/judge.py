"""Scores of candidates on one ensemble; what was scored before is not run again."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controllers import Feedback
from sim import Car
from tuning.ensemble import TrialRuns, noise_seeds, plausible_cars
from tuning.search.objective import Score, score
from tuning.search.weights import Weights

AT_ONCE = 24
"""Candidates run in one call: enough for all cores, few enough to tell of progress."""


class Judge:
    """One ensemble of plausible cars and seeds, and the scores given on it."""

    def __init__(
        self,
        car: Car,
        weights: Weights,
        *,
        cars: int,
        seeds: int,
        seed: int,
        purpose: int,
        cores: int | None = None,
        measures: bool = False,
    ) -> None:
        self.weights = weights
        self.plausible = plausible_cars(car, cars, seed=seed, purpose=purpose)
        self.runs = TrialRuns(
            self.plausible.cars, noise_seeds(seed, purpose, seeds), cores, measures=measures
        )
        self._scores: dict[Feedback, Score] = {}

    def scores(
        self, candidates: Sequence[Feedback], on_progress: Callable[[float], None] | None = None
    ) -> list[Score]:
        """Score candidates."""
        fresh = [one for one in dict.fromkeys(candidates) if one not in self._scores]
        for first in range(0, len(fresh), AT_ONCE):
            some = fresh[first : first + AT_ONCE]
            runs = self.runs.run(some)
            found = score(runs, self.weights)
            for one, its in zip(some, found, strict=True):
                self._scores[one] = its
            if on_progress is not None:
                on_progress(min(1.0, (first + len(some)) / len(fresh)))
        return [self._scores[one] for one in candidates]
