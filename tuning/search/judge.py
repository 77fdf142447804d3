"""What a search spends, and scores of candidates on one ensemble; what was scored before is not run again.

Trials, cars and seeds are counted, never seconds, so that no machine changes a result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controllers import Feedback
from sim import Car
from sim.files import one_problem
from tuning.ensemble import TrialRuns, noise_seeds, plausible_cars
from tuning.search.objective import Score, Weights, score


@dataclass(frozen=True)
class Budget:
    """Size of a search: candidates in all, those proposed ``widely``, cars and seeds of each stage."""

    name: str
    trials: int
    widely: int
    cars: int
    seeds: int
    finalists: int
    selection_cars: int
    selection_seeds: int
    verdict_cars: int
    verdict_seeds: int
    batch: int

    @property
    def engines(self) -> int:
        """Different plausible cars in all; the car as its file says is among each group."""
        return self.cars + self.selection_cars + self.verdict_cars - 2


BUDGETS: Mapping[str, Budget] = {
    "quick": Budget("quick", 120, 40, 10, 4, 10, 24, 5, 30, 6, 10),
    "normal": Budget("normal", 300, 60, 10, 6, 12, 24, 5, 30, 6, 8),
    "deep": Budget("deep", 1000, 150, 24, 8, 16, 32, 6, 60, 6, 8),
}
"""quick: about 10 s; normal: 30 to 40 s; deep: some minutes."""


def budget_of(name: str) -> Budget:
    """Find a budget."""
    if name not in BUDGETS:
        message = f"there is no such budget ({name}), allowed: {', '.join(BUDGETS)}"
        raise one_problem("command line", 1, "budget", message)
    return BUDGETS[name]


AT_ONCE = 24  # Candidates run in one call: enough for all cores.


class Judge:
    """One ensemble of plausible cars and seeds, and the scores given on it."""

    def __init__(
        self, car: Car, weights: Weights, *, cars: int, seeds: int, seed: int, purpose: int,
        cores: int | None = None, measures: bool = False,
    ) -> None:  # fmt: skip
        self.weights = weights
        self.plausible = plausible_cars(car, cars, seed=seed, purpose=purpose)
        self.runs = TrialRuns(
            self.plausible.cars, noise_seeds(seed, purpose, seeds), cores, measures=measures
        )
        self._scores: dict[Feedback, Score] = {}

    def scores(self, candidates: Sequence[Feedback]) -> list[Score]:
        """Score candidates."""
        fresh = [one for one in dict.fromkeys(candidates) if one not in self._scores]
        for first in range(0, len(fresh), AT_ONCE):
            some = fresh[first : first + AT_ONCE]
            self._scores |= zip(some, score(self.runs.run(some), self.weights), strict=True)
        return [self._scores[one] for one in candidates]
