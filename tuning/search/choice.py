"""From the best few of a search to one: on other cars, and on a plateau."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from controllers import Feedback
from tuning.notes import Note, Told
from tuning.search.judge import Budget, Judge
from tuning.search.objective import Score, searched_value
from tuning.search.proposals import Search
from tuning.search.space import Space

RISE_SHARE, WHOLE_RISE_SHARE = 0.10, 0.20
"""So much more may a neighbour score, and one whole step away, which may be half of what is set [-]."""
WHOLE = ("min_move_steps", "nudge_steps")
RISE_rpm = 3.0  # Or this much more, whichever is larger [rpm].


@dataclass(frozen=True)
class Plateau(Told):
    """Score of chosen settings and of neighbours, by what is changed, such as "deadband_rpm +1"."""

    TOLD = ("value_rpm", "neighbours_rpm", "allowed_rpm", "worst", "worst_rise_rpm", "steep", "is_flat")

    value_rpm: float
    neighbours_rpm: Mapping[str, float]

    @property
    def worth_rpm(self) -> float:
        """Mean of settings and neighbours, and what it costs that some score too much: cars differ too."""
        mean = (self.value_rpm + sum(self.neighbours_rpm.values())) / (1.0 + len(self.neighbours_rpm))
        return mean + (STEEP * self.excess_rpm(whole=False) + self.excess_rpm(whole=True))

    @property
    def allowed_rpm(self) -> dict[str, float]:
        """Highest score each neighbour may have [rpm]."""
        shares = {n: WHOLE_RISE_SHARE if n.startswith(WHOLE) else RISE_SHARE for n in self.neighbours_rpm}
        own = self.value_rpm
        return {name: own + max(share * abs(own), RISE_rpm) for name, share in shares.items()}

    @property
    def worst(self) -> str:
        """Name of the worst neighbour; empty without any."""
        return max(self.neighbours_rpm, key=lambda n: self.neighbours_rpm[n], default="")

    @property
    def worst_rise_rpm(self) -> float:
        """How much more the worst neighbour scores, 0 if none is worse [rpm]."""
        return max(0.0, *(v - self.value_rpm for v in self.neighbours_rpm.values()), 0.0)

    def excess_rpm(self, *, whole: bool) -> float:
        """How much more a neighbour scores than it may, at most."""
        beyond = [
            score - self.allowed_rpm[name]
            for name, score in self.neighbours_rpm.items()
            if name.startswith(WHOLE) == whole
        ]
        return max(0.0, *beyond, 0.0)

    @property
    def steep(self) -> tuple[str, ...]:
        """Neighbours that score more than is allowed."""
        return tuple(n for n, v in self.neighbours_rpm.items() if v > self.allowed_rpm[n])

    @property
    def is_flat(self) -> bool:
        """Whether every neighbour is nearly as good."""
        return not self.steep


DIFFERENT = 0.12
"""Finalists differ by this share of its range in at least one number, or in the law [-].  Trim
limits do not count."""
STEEP = 3.0
"""Weight of what a neighbour scores more than it may, one where it differs by a whole step: a
knife-edge does not pay [-]."""
PLAINEST = "pi"
EARNED_SHARE = 0.05  # Another law than pi has to earn this share of the score [-].
LAST_FEW = 2  # So many candidates are compared with their neighbours [-].
PLATEAU_OF = (
    "gain_steps_per_100rpm", "integral_steps_per_100rpm_s", "derivative_steps_s_per_100rpm",
    "deadband_rpm", "min_move_steps", "nudge_steps",
)  # fmt: skip
"""What is varied to see whether settings stand on a plateau."""


@dataclass(frozen=True)
class Choice:
    """Settings chosen."""

    settings: Feedback
    score: Score
    plateau: Plateau
    reason: tuple[Note, ...]


def finalists(ranking: Sequence[tuple[float, Feedback]], space: Space, count: int) -> list[Feedback]:
    """Take the best few that are not all the same."""
    taken: list[Feedback] = []
    best_of_law = {one.law: (value, one) for value, one in reversed(ranking)}
    first = [one for value, one in best_of_law.values() if value <= 1.1 * ranking[0][0]]
    order = [one for _, one in ranking]
    for one in sorted(order, key=lambda one: one not in first):
        if len(taken) == count:
            break
        if all(_apart(space, one, other) for other in taken):
            taken.append(one)
    return taken


def _apart(space: Space, one: Feedback, other: Feedback) -> bool:
    if one.law != other.law:
        return True
    counts = [not name.startswith("trim_") for name in space.keys(one.law)]
    apart = np.abs(space.to_unit(one) - space.to_unit(other))[counts]
    return bool(np.max(apart, initial=0.0) > DIFFERENT)


def near_settings(settings: Feedback, space: Space) -> dict[str, Feedback]:
    """Neighbours one entry step away in what decides most."""
    return {name: one for name, one in space.neighbours(settings).items() if name.split()[0] in PLATEAU_OF}


def plateau_of(settings: Feedback, space: Space, judge: Judge) -> Plateau:
    """Score the neighbours of settings, one entry step away each way."""
    near = near_settings(settings, space)
    values = [one.total for one in judge.scores([settings, *near.values()])]
    return Plateau(values[0], dict(zip(near, values[1:], strict=True)))


def choose(search: Search, judge: Judge, size: Budget, known: Sequence[Feedback]) -> Choice:
    """Choose one candidate of a search; known settings take part."""
    space = search.space
    some = finalists(search.expected_ranking(judge.weights), space, size.finalists)
    some += [one for one in known if one.law in space.laws and one not in some]
    scores = dict(zip(some, judge.scores(some), strict=True))
    met = {one for one in some if scores[one].acceptance.is_met}
    few = _last_few([one for one in some if scores[one].acceptance.may_be_met] or some, scores)
    judge.scores([near for one in few for near in near_settings(one, space).values()])
    plateaus = {one: plateau_of(one, space, judge) for one in few}
    # A step beside its neighbours as well as its own: the real car stands somewhere there.
    worth = {one: searched_value(plateaus[one].worth_rpm, scores[one].acceptance.near_share) for one in few}
    best = min(few, key=lambda one: worth[one])
    plain = [one for one in few if one.law == PLAINEST]
    plainest = min(plain, key=lambda one: worth[one], default=best)
    taken = plainest if (1.0 - EARNED_SHARE) * worth[plainest] <= worth[best] else best
    flat = sum(one in met and plateaus[one].is_flat for one in few)
    reason = _reason((len(some), len(met)), (flat, len(few)), plateaus[taken], taken is not best)
    return Choice(taken, scores[taken], plateaus[taken], reason)


def _last_few(among: Sequence[Feedback], scores: Mapping[Feedback, Score]) -> list[Feedback]:
    """The best few, the best of ``pi`` among them: their neighbours are tried too."""
    order = sorted(among, key=lambda one: scores[one].value)
    plain = [one for one in order if one.law == PLAINEST]
    return list(dict.fromkeys([*order[:LAST_FEW], *plain[:1]]))


def _reason(
    met_of: tuple[int, int], flat_of: tuple[int, int], plateau: Plateau, plainer: bool
) -> tuple[Note, ...]:
    """Why the settings were chosen."""
    (compared, met), (flat, last) = met_of, flat_of
    best = Note("search.chosen.best", compared=compared, met=met)
    none_met = Note("search.chosen.none_met", compared=compared)
    steep_rpm = max(plateau.excess_rpm(whole=which) for which in (False, True))
    steep = Note("search.chosen.steep", flat=flat, last=last, steep_rpm=steep_rpm)
    found = [best if met else none_met]
    found.append(steep if steep_rpm else Note("search.chosen.flat", flat=flat, last=last))
    if plainer:
        found.append(Note("search.chosen.plainer_law", earned_percent=100.0 * EARNED_SHARE))
    return tuple(found)
