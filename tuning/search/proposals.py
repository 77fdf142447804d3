"""The search itself: proposals over the whole space first, then where most is promised.

What comes next follows from what the study holds: a search that was broken off goes on.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from controllers import Feedback
from tuning.search.judge import Budget, Judge
from tuning.search.next_places import CLOSE, WIDE, expected_ranking, next_settings
from tuning.search.objective import Score, Weights, searched_value, total_of
from tuning.search.space import Space
from tuning.studies import Outcome, Progress, Study, run_search

WORTHWHILE = 0.01  # An improvement below this share of the score is none [-].
PATIENCE, LAST_LOOK = 200, 60
"""Trials without a worthwhile improvement after which only places close to the best are tried, and
trials of that kind after which the search ends."""
FAIR = 10  # Each law has one trial in so many, whatever its first ones scored.
CLOSE_FROM = 0.8  # From this share of the trials on a search looks close to the best [-].
RULE_OF_THREE = 3.0
"""With 95 % confidence something that did not happen in n tries has a chance below 3/n (Hanley &
Lippman-Hand, If nothing goes wrong, is everything all right?, JAMA 249, 1983, from memory)."""

Tell = Callable[[float, str], None]


def since_improved(values: Sequence[float]) -> int:
    """Trials since the last worthwhile improvement of the best value."""
    best, since = float("inf"), 0
    for value in values:
        since += 1
        if value < (1.0 - WORTHWHILE) * best:
            best, since = value, 0
    return since


def improvement_chance(values: Sequence[float]) -> float:
    """Bound on the chance that one more trial is worthwhile, with 95 % confidence [-]."""
    return min(1.0, RULE_OF_THREE / max(1, since_improved(values)))


def outcome(score: Score) -> Outcome:
    """What the study keeps of a score."""
    notes = {
        "total": score.total,
        "measured": dict(score.measured),
        "by_car": [[float(f"{value:.6g}") for value in row] for row in score.by_car],
        "failing_share": score.acceptance.told_share,
        "near_share": score.acceptance.near_share,
    }
    return Outcome(score.value, notes)


@dataclass
class Search:
    """One search over a study."""

    study: Study
    space: Space
    judge: Judge
    budget: Budget
    seed: int
    tell: Tell

    def run(self, start: Mapping[str, Feedback]) -> None:
        """Search until the budget is spent or nothing is gained any more."""
        points = {name: self.space.params_of(one) for name, one in start.items()}
        self._stage(self.budget.widely, points | self._even(start))
        begun = done = len(self.study.finished)
        while done < self.budget.trials:
            wanted = min(self.budget.batch, self.budget.trials - done)
            fair = self.budget.trials // FAIR
            since = since_improved(self.values()[begun:])
            close = done >= CLOSE_FROM * self.budget.trials or since >= PATIENCE
            reach = CLOSE if close else WIDE
            seed = [self.seed, done]
            some = next_settings(self.ranking(), self.space, wanted, seed, fair, reach)
            if not some or since >= PATIENCE + LAST_LOOK:
                return
            names = (f"promising {done + place}" for place in range(len(some)))
            params = (self.space.params_of(one) for one in some)
            self._stage(done + len(some), dict(zip(names, params, strict=True)))
            if len(self.study.finished) == done:
                return
            done = len(self.study.finished)

    def _even(self, start: Mapping[str, Feedback]) -> dict[str, dict[str, Any]]:
        """Points of which only the law is given, so that each law has its share of the first."""
        laws = self.space.laws
        if len(laws) == 1:
            return {}
        each = self.budget.widely // len(laws)
        begun = Counter(str(one.law) for one in start.values())
        turns = [(place, law) for place in range(each) for law in laws if place >= begun[law]]
        return {f"{law}, number {place + 1}": {"law": law} for place, law in turns}

    def values(self) -> list[float]:
        """Values of all finished trials in order."""
        return [t.value for t in self.study.finished if t.value is not None]

    def ranking(self, weights: Weights | None = None) -> list[tuple[float, Feedback]]:
        """Distinct candidates of the study, best first, by its own weights or others."""
        found: dict[Feedback, float] = {}
        for trial in self.study.finished:
            if trial.value is not None:
                value = trial.value
                if weights is not None and weights != self.judge.weights:
                    notes = trial.user_attrs["notes"]
                    value = searched_value(total_of(notes["by_car"], weights), float(notes["near_share"]))
                found.setdefault(self.space.settings(trial.params), value)
        return sorted(((v, s) for s, v in found.items()), key=lambda pair: pair[0])

    def expected_ranking(self, weights: Weights | None = None) -> list[tuple[float, Feedback]]:
        """The same with the luck of scatter taken out."""
        return expected_ranking(self.ranking(weights), self.space)

    def _stage(self, until: int, points: Mapping[str, Mapping[str, Any]]) -> None:
        """Evaluate points, then proposals, until the study holds so many trials."""
        run_search(
            self.study, self.space.ask,
            lambda candidates: [outcome(one) for one in self.judge.scores(candidates)],
            n_trials=min(until, self.budget.trials), batch=self.budget.batch, start_points=points,
            on_progress=self._told,
        )  # fmt: skip

    def _told(self, progress: Progress) -> None:
        values = self.values()
        best = f", best {min(values):.1f} rpm" if values else ""
        text = f"trial {progress.finished} of {self.budget.trials}{best}"
        self.tell(min(1.0, progress.finished / self.budget.trials), text)
