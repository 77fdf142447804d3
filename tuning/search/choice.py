"""From the best few of a search to one: on other cars, on a plateau, and no wider than needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controllers import Feedback
from tuning.search.budgets import Budget
from tuning.search.judge import Judge
from tuning.search.objective import Score
from tuning.search.plateau import Plateau
from tuning.search.proposals import Search
from tuning.search.space import LAW_KEYS, Space

DIFFERENT = 0.12
"""Finalists differ by this share of its range in at least one number, or in the law [-].  Trim
limits do not count, as they are drawn in afterwards."""
STEEP = 3.0
"""Weight of what a neighbour scores more than it may, one where it differs by a whole step: a
knife-edge does not pay [-]."""
SEEN_AGAIN = 2.0
"""Weight of hunting that is seen here, on cars on which the search has had no luck [-]."""
LOUD_SHARE, LOUD, LOUD_MOST = 0.08, 10.0, 0.08
"""Hunting above this share of what the held valve's speed swings is told as hunting, so settings
that leave it must be worth much: share [-], weight of what is beyond it [-], and the most that is
paid for silence, as a share of the score [-]."""
SIMPLER_SHARE = 0.01
"""A law with fewer numbers is preferred if it scores at most this much more, as a share [-]."""
NARROWER_SHARE = 0.005
"""Trim limits are drawn in if that costs at most this share of the score [-]."""
LAWS_BY_SIMPLICITY = ("nudge", "pi", "pi_park", "pid")
NARROWINGS = (0.0, 0.25, 0.5, 0.75)
"""Trim limits tried, from the closest that the space allows to those found [-]."""


@dataclass(frozen=True)
class Choice:
    """Settings chosen.

    Attributes
    ----------
    settings : Feedback
        The settings.
    score : Score
        What they score on the cars of the selection.
    plateau : Plateau
        What their neighbours score there.
    reason : str
        Why these.
    """

    settings: Feedback
    score: Score
    plateau: Plateau
    reason: str


def finalists(
    ranking: Sequence[tuple[float, Feedback]], space: Space, count: int
) -> list[Feedback]:
    """Take the best few that are not all the same.

    Gives the best of each law first in line, then others; fewer if there are no more.
    """
    taken: list[Feedback] = []
    best_of_law = {one.law: one for _, one in reversed(ranking)}
    near = {law for law, one in best_of_law.items() if _value(ranking, one) <= 1.1 * ranking[0][0]}
    order = [one for _, one in ranking]
    order.sort(key=lambda one: not (one.law in near and best_of_law[one.law] is one))
    for one in order:
        if len(taken) == count:
            break
        if all(_apart(space, one, other) for other in taken):
            taken.append(one)
    return taken


def _value(ranking: Sequence[tuple[float, Feedback]], settings: Feedback) -> float:
    return next(value for value, one in ranking if one is settings)


def _apart(space: Space, one: Feedback, other: Feedback) -> bool:
    if one.law != other.law:
        return True
    counts = [not name.startswith("trim_") for name in LAW_KEYS[one.law]]
    apart = np.abs(space.to_unit(one) - space.to_unit(other))[counts]
    return bool(np.max(apart) > DIFFERENT)


def plateau_of(settings: Feedback, space: Space, judge: Judge) -> Plateau:
    """Score the neighbours of settings, one entry step away each way.

    Gives their scores.
    """
    near = space.neighbours(settings)
    values = [one.value - one.seen for one in judge.scores([settings, *near.values()])]
    return Plateau(values[0], dict(zip(near, values[1:], strict=True)))


def choose(search: Search, judge: Judge, size: Budget) -> Choice:
    """Choose one candidate of a search.

    Gives the settings, with the reason.
    """
    space = search.space
    some = finalists(search.expected_ranking(), space, size.finalists)
    everyone = {one: space.neighbours(one) for one in some}
    judge.scores([*some, *(n for near in everyone.values() for n in near.values())])
    plateaus = {one: plateau_of(one, space, judge) for one in some}
    flat = [
        one
        for one, own in zip(some, judge.scores(some), strict=True)
        if own.allowed and plateaus[one].is_flat
    ]
    # A step beside its neighbours as well as its own: the real car stands somewhere there.
    worth = {
        one: SEEN_AGAIN * own.seen
        + loud_rpm(own, judge)
        + plateaus[one].around_rpm
        + _steepness(plateaus[one])
        for one, own in zip(some, judge.scores(some), strict=True)
    }
    best = min(some, key=lambda one: worth[one])
    simple = [one for one in some if worth[one] <= (1.0 + SIMPLER_SHARE) * worth[best]]
    taken = min(simple, key=lambda one: (LAWS_BY_SIMPLICITY.index(one.law), worth[one]))
    settings = narrowed(taken, space, judge)
    steep_rpm = max(plateaus[taken].excess_rpm(whole=which) for which in (False, True))
    reason = _reason(len(some), len(flat), steep_rpm, taken is not best, settings != taken)
    plateau = plateau_of(settings, space, judge)
    return Choice(settings, judge.scores([settings])[0], plateau, reason)


def loud_rpm(score: Score, judge: Judge) -> float:
    """What hunting costs that would be told as such.

    Gives 0 where the idle is no louder than with the valve held, at most a share of the score
    [rpm].
    """
    allowed_rpm = LOUD_SHARE * float(np.mean(judge.runs.floor))
    beyond_rpm = max(score.measured["hunting"] - allowed_rpm, 0.0)
    return min(LOUD * beyond_rpm, LOUD_MOST * score.total)


def _steepness(plateau: Plateau) -> float:
    """What neighbours that score too much cost [rpm].

    A car that differs acts like finer numbers that differ; whole steps stay as they are typed in.
    """
    return STEEP * plateau.excess_rpm(whole=False) + plateau.excess_rpm(whole=True)


def narrowed(settings: Feedback, space: Space, judge: Judge) -> Feedback:
    """Draw the trim limits in as far as that costs nothing.

    Gives the narrowest limits that score as well; narrow limits bound what a fault can do.
    """
    values = space.values_of(settings)
    low, high = values["trim_low_steps"], values["trim_high_steps"]
    low_end, high_end = space.ranges["trim_low_steps"].high, space.ranges["trim_high_steps"].low
    variants = [settings]
    for share in NARROWINGS:
        closer = {
            "trim_low_steps": low_end + share * (low - low_end),
            "trim_high_steps": high_end + share * (high - high_end),
        }
        both = tuple(closer)
        variants += [
            space.feedback(settings.law, values | {key: closer[key] for key in keys})
            for keys in (both, both[:1], both[1:])
        ]
    own, *scores = (one.value for one in judge.scores(variants))
    most = own + NARROWER_SHARE * abs(own)
    good = [one for one, value in zip(variants[1:], scores, strict=True) if value <= most]
    good.sort(key=lambda one: one.trim_limit_steps[1] - one.trim_limit_steps[0])
    return next((one for one in good if _bears_closer(one, space, judge)), settings)


def _bears_closer(settings: Feedback, space: Space, judge: Judge) -> bool:
    """Whether trim limits an entry step closer are nearly as good."""
    near = space.neighbours(settings).items()
    trims = {name: one for name, one in near if name.startswith("trim_")}
    own, *scores = (one.value - one.seen for one in judge.scores([settings, *trims.values()]))
    return Plateau(own, dict(zip(trims, scores, strict=True))).is_flat


def _reason(compared: int, flat: int, steep_rpm: float, simpler: bool, closer: bool) -> str:
    """Why the settings were chosen, in a sentence."""
    text = f"best score of {compared} candidates on cars the search had not met"
    stand = f"{flat} of them stand{'s' if flat == 1 else ''} on a plateau"
    if steep_rpm == 0.0:
        text += "; only these stand on a plateau" if flat == 1 else f"; {stand}, as these do"
    elif flat:
        text += (
            f"; {stand}; a neighbour of these scores {steep_rpm:.1f} rpm"
            " more than allowed, and they are better all the same"
        )
    else:
        text += "; none stands on a plateau, these and their neighbours are best together"
    if simpler:
        text += "; a simpler law that does nearly as well was preferred"
    if closer:
        text += "; trim limits drawn in as far as that costs nothing"
    return text
