"""Where a search looks next: places where the smooth picture of each law's score promises most.

The picture is Gaussian process regression over the unit cube: feedback makes runs diverge, so common random
numbers do not cancel the luck of scatter, and this does. Several places are taken one after another, each as
if its expected score were known already.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controllers import Feedback
from tuning.search.space import Space

Reals = NDArray[np.float64]

SHORTEST, LONGEST = 0.05, 10.0  # Bounds of the length scales, in units of the cube's edge [-].
LEAST_NOISE, MOST_NOISE = 1e-4, 1.0  # Bounds of the noise variance, over the variance of the scores [-].
EXPECTED_LENGTH, LENGTH_SPREAD = 0.6, 1.0
"""Length scales are expected about this, within a factor e to this power (log-normal prior)."""
EXPECTED_NOISE, NOISE_SPREAD = 0.03, 1.5
ITERATIONS = 40
_ROOT5 = math.sqrt(5.0)


def matern(one: Reals, other: Reals, lengths: Reals) -> Reals:
    """Covariance of unit variance at two sets of places, order 5/2 [-].

    Source: Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), eq. 4.17.
    """
    from scipy.spatial.distance import cdist

    r = _ROOT5 * cdist(one / lengths, other / lengths)
    return np.asarray((1.0 + r + r * r / 3.0) * np.exp(-r))


@dataclass(frozen=True, eq=False)
class Surrogate:
    """A fitted process: places and length scales in the unit cube [-], scores normed by middle and size."""

    places: Reals
    lengths: Reals
    noise: float
    middle: float
    size: float
    factor: Reals
    weights: Reals

    def mean(self, places: Reals) -> Reals:
        """Expected score, luck taken out [any]."""
        normed = matern(places, self.places, self.lengths) @ self.weights
        return np.asarray(self.middle + self.size * normed)

    def mean_and_sd(self, places: Reals) -> tuple[Reals, Reals]:
        """Expected score, and how sure it is."""
        from scipy.linalg import solve_triangular

        across = matern(places, self.places, self.lengths)
        inner = solve_triangular(self.factor, across.T, lower=True, check_finite=False)
        variance = np.maximum(1.0 - np.einsum("ij,ij->j", inner, inner), 1e-12)
        return self.middle + self.size * (across @ self.weights), self.size * np.sqrt(variance)

    def with_guess(self, place: Reals) -> Surrogate:
        """The process as if the expected score had been found at a place, so that the next goes elsewhere."""
        known = self.factor @ (self.factor.T @ self.weights)
        guess = matern(place[None], self.places, self.lengths) @ self.weights
        places, scores = np.vstack([self.places, place]), np.append(known, guess)
        return _solved(places, scores, self.lengths, self.noise, self.middle, self.size)


def _solved(
    places: Reals, normed: Reals, lengths: Reals, noise: float, middle: float, size: float
) -> Surrogate:
    from scipy.linalg import cho_solve, cholesky

    covariance = matern(places, places, lengths) + noise * np.eye(len(places))
    factor = cholesky(covariance, lower=True, check_finite=False)
    weights = cho_solve((factor, True), normed, check_finite=False)
    return Surrogate(places, lengths, noise, middle, size, factor, weights)


def _cost(log_values: Reals, places: Reals, normed: Reals) -> tuple[float, Reals]:
    """Negative log posterior density of length scales and noise, and its slopes."""
    from scipy.linalg import LinAlgError, cho_solve, cholesky

    lengths, noise = np.exp(log_values[:-1]), math.exp(log_values[-1])
    scaled = places / lengths
    apart = scaled[:, None, :] - scaled[None, :, :]
    squares = apart * apart
    r = _ROOT5 * np.sqrt(squares.sum(axis=2))
    decay = np.exp(-r)
    covariance = (1.0 + r + r * r / 3.0) * decay
    try:
        factor = cholesky(covariance + noise * np.eye(len(places)), lower=True, check_finite=False)
    except LinAlgError:
        return 1e25, np.zeros_like(log_values)
    weights = cho_solve((factor, True), normed, check_finite=False)
    inverse = cho_solve((factor, True), np.eye(len(places)), check_finite=False)
    inner = np.outer(weights, weights) - inverse
    # dk/d log length_d = (5/3) (1 + r) exp(-r) (difference_d / length_d)^2
    common = inner * ((5.0 / 3.0) * (1.0 + r) * decay)
    slopes = -0.5 * np.append(np.einsum("ij,ijd->d", common, squares), noise * float(np.trace(inner)))
    off = np.append(
        (log_values[:-1] - math.log(EXPECTED_LENGTH)) / LENGTH_SPREAD**2,
        (log_values[-1] - math.log(EXPECTED_NOISE)) / NOISE_SPREAD**2,
    )
    spreads = np.append(np.full(len(lengths), LENGTH_SPREAD), NOISE_SPREAD)
    cost = 0.5 * float(normed @ weights) + float(np.log(np.diag(factor)).sum())
    return cost + 0.5 * float(((off * spreads) ** 2).sum()), slopes + off


def fit_surrogate(places: Reals, scores: Reals) -> Surrogate:
    """Fit length scales and noise that are most likely under wide priors of our own.

    Source: Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), 2.2 and 5.4.1.
    """
    from scipy.optimize import minimize

    middle, size = float(np.mean(scores)), max(float(np.std(scores)), 1e-9)
    normed = (scores - middle) / size
    dimensions = places.shape[1]
    first = np.append(np.full(dimensions, math.log(EXPECTED_LENGTH)), math.log(EXPECTED_NOISE))
    bounds = [(math.log(SHORTEST), math.log(LONGEST))] * dimensions
    bounds.append((math.log(LEAST_NOISE), math.log(MOST_NOISE)))
    found = minimize(
        _cost, first, args=(places, normed), jac=True, method="L-BFGS-B", bounds=bounds,
        options={"maxiter": ITERATIONS},
    )  # fmt: skip
    return _solved(places, normed, np.exp(found.x[:-1]), math.exp(found.x[-1]), middle, size)


def expected_improvement(surrogate: Surrogate, places: Reals, best: float) -> Reals:
    """How much lower than the best so far scores are expected to be, in their unit [any].

    Source: Jones, Schonlau & Welch, Journal of Global Optimization 13 (1998), eq. 15.
    """
    from scipy.special import ndtr

    mean, sd = surrogate.mean_and_sd(places)
    z = (best - mean) / sd
    return np.asarray((best - mean) * ndtr(z) + sd * np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi))


LEAST_TRIALS, MOST_TRIALS = 8, 250
"""A law with fewer trials has no picture yet; the best ones make it, as time grows with the cube."""
ANYWHERE = 192  # Places drawn over the whole cube.
CHANGED_SHARE = 0.4  # Chance that a number takes part in a step [-].


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
    ranking: Sequence[tuple[float, Feedback]], space: Space, count: int, seed: Sequence[int], fair: int = 0,
    reach: Reach = WIDE,
) -> list[Feedback]:  # fmt: skip
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
