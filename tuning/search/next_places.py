"""Where a search looks next: places where the smooth picture of each law's score promises most.

Several are taken one after another, each as if its expected score were known already.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controllers import Feedback
from tuning.search.space import Space
from tuning.search.surrogate import Surrogate, expected_improvement, fit_surrogate

Reals = NDArray[np.float64]

LEAST_TRIALS = 8
"""A law with fewer trials has no picture yet."""
MOST_TRIALS = 250
"""Trials a picture is made of, the best ones: time grows with the cube."""
ANYWHERE = 192
"""Places drawn over the whole cube."""
CHANGED_SHARE = 0.4
"""Chance that a number takes part in a step [-]."""


@dataclass(frozen=True)
class Reach:
    """How far from the best a search looks: shares of the best score and of each range [-]."""

    near_best: float
    centres: int
    about: int
    steps: tuple[float, ...]


WIDE = Reach(1.06, 6, 96, (0.03, 0.08, 0.2))
CLOSE = Reach(1.03, 3, 256, (0.01, 0.03, 0.08))
"""For the last trials: nothing found by wide steps then could still be bettered."""


@dataclass(frozen=True, eq=False)
class Picture:
    """What is known of one law: its process over log scores, and those expected, luck taken out [log rpm]."""

    law: str
    surrogate: Surrogate
    expected: Reals


def _logs(values: Sequence[float]) -> Reals:
    """Logarithms of scores; what is far above the usual counts as no worse than far above it."""
    scores = np.log(np.maximum(np.asarray(values, dtype=float), 1.0))
    middle = float(np.median(scores))
    return np.minimum(scores, middle + 2.0 * max(middle - float(np.min(scores)), 0.1))


def pictures(
    ranking: Sequence[tuple[float, Feedback]], space: Space, fair: int = 0, near_best: float = WIDE.near_best
) -> list[Picture]:
    """Fit a picture for each law that is near the best or not yet known."""
    found = []
    for law in dict.fromkeys(one.law for _, one in ranking):
        of_law = [(value, one) for value, one in ranking if one.law == law][:MOST_TRIALS]
        given_up = len(of_law) >= fair and of_law[0][0] > near_best * ranking[0][0]
        if len(of_law) < LEAST_TRIALS or given_up:
            continue
        places = np.array([space.to_unit(one) for _, one in of_law])
        surrogate = fit_surrogate(places, _logs([value for value, _ in of_law]))
        found.append(Picture(law, surrogate, surrogate.mean(places)))
    return found


def expected_ranking(ranking: Sequence[tuple[float, Feedback]], space: Space) -> list[tuple[float, Feedback]]:
    """The same with scores that have luck taken out, where there is a picture."""
    found: list[tuple[float, Feedback]] = []
    for picture in pictures(ranking, space):
        of_law = [one for _, one in ranking if one.law == picture.law]
        found += zip(np.exp(picture.expected).tolist(), of_law, strict=False)
    found.sort(key=lambda pair: pair[0])
    known = {one for _, one in found}
    return found + [pair for pair in ranking if pair[1] not in known]


def _drawn(picture: Picture, rng: np.random.Generator, reach: Reach) -> Reals:
    """Places to weigh, over the whole cube and about the best few."""
    tried = picture.surrogate.places
    dimensions = tried.shape[1]
    drawn = [rng.random((ANYWHERE, dimensions))]
    for place in tried[np.argsort(picture.expected, kind="stable")[: reach.centres]]:
        size = np.resize(reach.steps, reach.about)[:, None]
        taking_part = rng.random((reach.about, dimensions)) < CHANGED_SHARE
        drawn.append(place + size * rng.normal(size=taking_part.shape) * taking_part)
    return np.clip(np.vstack(drawn), 0.0, 1.0)


def next_settings(
    ranking: Sequence[tuple[float, Feedback]],
    space: Space,
    count: int,
    seed: Sequence[int],
    fair: int = 0,
    reach: Reach = WIDE,
) -> list[Feedback]:
    """Settings that promise most."""
    from threadpoolctl import threadpool_limits

    rng = np.random.default_rng(list(seed))
    tried = {one for _, one in ranking}
    # One thread: what linear algebra gives in the last digit may depend on their number.
    with threadpool_limits(1):
        known = pictures(ranking, space, fair, reach.near_best)
        if not known:
            return []
        best = min(float(np.min(one.expected)) for one in known)
        others = [count // len(known)] * (len(known) - 1)
        shares = [count - sum(others), *others]
        found: list[Feedback] = []
        for picture, share in zip(known, shares, strict=True):
            drawn = _drawn(picture, rng, reach)
            found += _promising(picture, space, best, share, drawn, tried)
    return found


def _promising(
    picture: Picture, space: Space, best: float, count: int, places: Reals, tried: set[Feedback]
) -> list[Feedback]:
    """The most promising settings of one law; what is taken counts as tried."""
    surrogate, found = picture.surrogate, list[Feedback]()
    while len(found) < count and len(places):
        promise = expected_improvement(surrogate, places, best)
        order = np.argsort(-promise, kind="stable")
        taken = next((i for i in order if space.from_unit(picture.law, places[i]) not in tried), None)
        if taken is None:
            break
        settings = space.from_unit(picture.law, places[taken])
        tried.add(settings)
        found.append(settings)
        surrogate = surrogate.with_guess(space.to_unit(settings))
        places = np.delete(places, taken, axis=0)
    return found
