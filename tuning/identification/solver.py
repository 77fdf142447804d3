"""The least-squares problem of a fit: replays against logs, with beliefs about the car; how sure it is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sim import Car
from sim.replay import replay
from tuning.identification.parameters import SIMPLE, Floats, Parameters, factor
from tuning.identification.result import Interval, root_of
from tuning.identification.scatter import Scatter
from tuning.identification.stretches import GUESSED_LOAD_W, SLOT_s, Stretch
from tuning.loop import engine_figures

FIRST_GUESS = np.array([12.0, 0.6])  # Standard deviations that a first fit takes [rpm, kPa].
LEAST = np.array([1.0, 0.1])  # Least standard deviations: recorders round [rpm, kPa].
PLAIN_SHARE = np.array([0.1, 1.0])
"""Plain noise added to the innovations, over the standard deviation [-]: our judgement, made on
engines of other structure.  Pressure can be predicted from its own past and speed to a tenth of
its scatter, which would let how the manifold fills outweigh how the crank answers."""
ROWS_PER_ORDER = 100
LAGS_s = 2.5  # Residuals and scores are taken to be independent when this far apart [s].
LONGEST_ORDER = 3
"""Past slots of a noise model where no hand moved the valve or loads were found in speed: what is slow is
then in doubt. Else none: what is quick would outweigh what is slow, which a loop answers to."""
GAP_SHARE = 1.6  # Slots farther apart than this many usual spacings do not follow each other [-].


@dataclass(frozen=True, eq=False)
class Noise:
    """A noise model: scatter swings speed and pressure for a second or two, each with the other.

    Residuals are turned into independent ones by a short vector autoregression, so that each tells once what
    it tells; a share of plain noise is added, so that what the model's structure cannot follow does not weigh
    as if it could.
    """

    sd: Floats  # shape (signals,): standard deviations [rpm, kPa]
    memory: tuple[Floats, ...]  # (signals, signals) each: how residuals follow from those slots ago
    whiten: Floats  # shape (signals, signals): what is new to unit variance
    beliefs: float = 1.0  # what beliefs weigh: as many times as residuals that are alike tell the same [-]

    def independent(self, residuals: Floats, follows: NDArray[np.int64]) -> Floats:
        """Turn residuals into independent ones of unit variance [-]."""
        order = len(self.memory)
        plain = residuals / self.sd
        if order == 0:
            return plain
        new = residuals.copy()
        for back, matrix in enumerate(self.memory, 1):
            new[back:] -= residuals[:-back] @ matrix.T
        return np.where((follows >= order)[:, None], new @ self.whiten.T, plain)


def rows_that_follow(time_s: Floats) -> NDArray[np.int64]:
    """Count, for each row, the rows before it without a gap."""
    rows = np.arange(time_s.size)
    if time_s.size < 2:
        return rows
    spacing = np.diff(time_s)
    breaks = np.concatenate([[True], spacing > GAP_SHARE * np.median(spacing)])
    return rows - np.maximum.accumulate(np.where(breaks, rows, 0))


def estimate_noise(residuals: Sequence[Floats], follows: Sequence[NDArray[np.int64]], longest: int) -> Noise:
    """Estimate a noise model of at most so many past slots from residuals.

    Source: least-squares estimate of a vector autoregression, Lutkepohl, New Introduction to Multiple
    Time Series Analysis (2005), ch. 3; standard deviations by the median.
    """
    together = np.concatenate(list(residuals))
    signals = together.shape[1]
    sd = np.maximum(1.4826 * np.median(np.abs(together), axis=0), LEAST[:signals])
    order = int(np.clip(len(together) // ROWS_PER_ORDER, 0, longest))
    past, now = [], []
    for values, count in zip(residuals, follows, strict=True):
        at = np.flatnonzero(count >= order)
        now.append(values[at])
        past.append(np.hstack([values[at - back] for back in range(1, order + 1)] or [values[at]]))
    if order == 0 or sum(map(len, now)) < ROWS_PER_ORDER:
        return Noise(sd, (), np.eye(signals), _alike(residuals))
    x, y = np.vstack(past), np.vstack(now)
    weights = np.linalg.lstsq(x, y, rcond=None)[0]
    new = y - x @ weights
    covariance = new.T @ new / len(new) + np.diag((PLAIN_SHARE[:signals] * sd) ** 2)
    memory = tuple(np.asarray(weights[i * signals : (i + 1) * signals].T, np.float64) for i in range(order))
    return Noise(sd, memory, np.linalg.inv(np.linalg.cholesky(covariance)))


def _with_neighbours(scores: Floats, lags: int) -> Floats:
    """Products of scores and those up to so many before, Bartlett weights (Newey and West, below) [any]."""
    spread = scores.T @ scores
    for lag in range(1, lags + 1):
        product = scores[lag:].T @ scores[:-lag]
        spread += (1.0 - lag / (lags + 1.0)) * (product + product.T)
    return spread


def _alike(residuals: Sequence[Floats]) -> float:
    """Root of how many residuals of speed tell as much as one independent one, 1 or more [-]."""
    speed = [one[:, :1] - one[:, 0].mean() for one in residuals]
    lags = [min(round(LAGS_s / SLOT_s), len(one) - 1) for one in speed]
    together = sum(float(_with_neighbours(*each)[0, 0]) for each in zip(speed, lags, strict=True))
    return float(np.sqrt(max(together / max(sum(float(np.sum(one**2)) for one in speed), 1.0e-9), 1.0)))


DIFFERENCE_SHARE = 0.1
"""Width of differences over the belief's standard deviation [-]. A replay's firings fall differently among
the valve's steps for the smallest change of a parameter; narrow differences would measure that."""
ROBUST_SD = 2.0  # Residuals beyond this many standard deviations weigh less [-].
WIDENED = 1.1  # Factor on the spread of the scores: fitting the noise model uses up some of it [-].


@dataclass
class Problem:
    """Stretches, parameters and the present noise model."""

    parameters: Parameters  # what may change
    stretches: Sequence[Stretch]  # what was recorded
    by_hand: bool  # whether a hand moved the valve
    keep: Sequence[NDArray[np.bool_]] = ()  # shape (slots,) each: slots that count
    noise: Noise = field(init=False)  # noise model in force

    def __post_init__(self) -> None:
        self.keep = self.keep or [one.used for one in self.stretches]
        signals = self.stretches[0].measured.shape[1]
        self.noise = Noise(FIRST_GUESS[:signals], (), np.eye(signals))
        self._follows = [rows_that_follow(one.time_s[one.used]) for one in self.stretches]
        self._kept = [keep[one.used] for one, keep in zip(self.stretches, self.keep, strict=True)]

    def modelled(self, departures: Floats) -> list[Floats]:
        """What the model gives for all slots of each stretch [rpm, kPa]."""
        car = self.parameters.car_with(departures)
        loads_W = GUESSED_LOAD_W * np.exp(self.parameters.loads(departures))
        return [one.readings(replay(car, one.drive_with(loads_W))) for one in self.stretches]

    def residuals(self, departures: Floats) -> list[Floats]:
        """Model less measured in the used slots of each stretch [rpm, kPa]."""
        pairs = zip(self.modelled(departures), self.stretches, strict=True)
        return [(model - one.measured)[one.used] for model, one in pairs]

    def weighed(self, departures: Floats) -> Floats:
        """Independent residuals of unit variance of the slots that count, then those of the beliefs [-]."""
        each = zip(self.residuals(departures), self._follows, self._kept, strict=True)
        pieces = [self.noise.independent(values, follows)[kept].ravel() for values, follows, kept in each]
        return np.concatenate([*pieces, self.noise.beliefs * (self.parameters.precision_root @ departures)])

    def derivatives(self, departures: Floats, both_sides: bool = True) -> Floats:
        """Differentiate the residuals, shape (residuals, parameters) [any]."""
        low, high = self.parameters.limits()
        here = None if both_sides else self.weighed(departures)
        columns = []
        for at, width in enumerate(DIFFERENCE_SHARE * self.parameters.prior_sd):
            above, below = departures.copy(), departures.copy()
            above[at] = min(departures[at] + width, high[at])
            if here is not None and above[at] > departures[at]:
                columns.append((self.weighed(above) - here) / (above[at] - departures[at]))
                continue
            below[at] = max(departures[at] - width, low[at])
            change = self.weighed(above) - self.weighed(below)
            columns.append(change / (above[at] - below[at]))
        return np.column_stack(columns)

    def solve(self, start: Floats, most: int, tolerance: float, quick: bool) -> Floats:
        """Find the departures that fit best [any]."""
        from scipy.optimize import least_squares

        low, high = self.parameters.limits()
        inside = 1.0e-3 * (high - low)
        # In units of belief and about 1: the first step of the solver is as long as its start.
        sd = self.parameters.prior_sd

        def weighed(z: Floats) -> Floats:
            return self.weighed((z - 1.0) * sd)

        def derivatives(z: Floats) -> Floats:
            return self.derivatives((z - 1.0) * sd, not quick) * sd

        found = least_squares(
            weighed, np.clip(start, low + inside, high - inside) / sd + 1.0, jac=derivatives,
            bounds=(low / sd + 1.0, high / sd + 1.0), loss="soft_l1", f_scale=ROBUST_SD, max_nfev=most,
            # Not the factorisation of the whole, whose threads wait on a busy machine [any].
            tr_solver="lsmr", xtol=tolerance, ftol=tolerance,
        )  # fmt: skip
        return np.clip((np.asarray(found.x) - 1.0) * sd, low, high)

    def learn_noise(self, departures: Floats) -> None:
        """Estimate the noise model from what is left at some departures."""
        longest = 0 if self.by_hand and not self.parameters.loads(departures).size else LONGEST_ORDER
        self.noise = estimate_noise(self.residuals(departures), self._follows, longest)


def covariance_of(problem: Problem, departures: Floats) -> Floats:
    """Covariance of fitted departures [any].

    Source: sandwich estimate, Newey and West, Econometrica 55 (1987), for robust weights as Huber (1964);
    beliefs enter as observations of their own.
    """
    slopes, values = problem.derivatives(departures), problem.weighed(departures)
    count = departures.size
    rows = values.size - count
    weight = 1.0 / np.sqrt(1.0 + (values[:rows] / ROBUST_SD) ** 2)
    data, belief = slopes[:rows], slopes[rows:]
    beliefs = belief.T @ belief
    curvature = data.T @ (weight[:, None] * data) + beliefs
    signals = problem.noise.sd.size
    scores = (data * (weight * values[:rows])[:, None]).reshape(-1, signals, count).sum(axis=1)
    spacing_s = float(np.median(np.diff(problem.stretches[0].time_s)))
    lags = int(np.clip(round(LAGS_s / spacing_s), 1, len(scores) // 4 + 1))
    spread, inverse = _with_neighbours(scores, lags), np.linalg.inv(curvature)
    return np.asarray(inverse @ (WIDENED * spread + problem.noise.beliefs**2 * beliefs) @ inverse)


def fit_departures(
    problem: Problem, start: Floats, tell: Callable[[float, str], None]
) -> tuple[Floats, Floats]:
    """Fit in three rounds: plain residuals, then twice with the noise model of the one before."""
    tell(0.05, "a first fit")
    found = problem.solve(start, 20, 1.0e-3, quick=True)
    tell(0.3, "fitting with what scatter does")
    problem.learn_noise(found)
    found = problem.solve(found, 20, 1.0e-3, quick=True)
    tell(0.5, "fitting closely")
    problem.learn_noise(found)
    found = problem.solve(found, 12, 1.0e-4, quick=False)
    tell(0.7, "how sure it is")
    return found, covariance_of(problem, found)


DRAWS = 80
STEP_WIDER, POLE_WIDER = 1.15, 1.2
"""Factors on the intervals of the worth of a step and of the main pole [-]: on 100 engines drawn
from the beliefs (``tests/bench/test_fit_intervals.py``) intervals without them held the truth in
80 and 85 cases, and the truth was off by 1.14 and 1.2 times what was told."""
FEEDBACK_WIDER = (1.0, 2.0, 3.0)
"""The same with feedback on in none, some and all logs, on twenty foreign engines (131 to 169, odd) [-]."""
LEAST_SHARE, MOST_SHARE = 0.02, 1.0
"""Range of the relative standard deviations written [-]: below it an engine's real structure is
not the model's, whatever the log says; our judgement."""
LEAST_OF = {"inertia_kg_m2": 0.05, "volume_cm3": 0.05, "area_mm2": 0.03}
"""The same for what the structure stands in for most [-]."""
UNSEEN_LIMIT = 0.3
"""The same for an alternator's limit that no battery showed: a fit may take one for the way in which an
engine steadies itself [-]."""
FIXED_BY_THE_LOG = (("engine", "volumetric_efficiency"),)
"""Only its ratio to the openings shows in a log, and that is carried by the openings."""


def figures_with_intervals(
    draw: Callable[[Floats], Car], found: Floats, covariance: Floats, steps: float, seed: int,
    fed_back: Sequence[bool] = (False,),
) -> dict[str, Interval]:  # fmt: skip
    """Worth of a step, main pole and settled speed with 90 % intervals, wider for logs with feedback on."""
    much = FEEDBACK_WIDER[any(fed_back) + all(fed_back)]
    rng = np.random.default_rng(np.random.SeedSequence([seed, 3]))
    root = root_of(covariance)
    best = engine_figures(draw(found), steps)
    draws = [found + root @ rng.standard_normal(found.size) for _ in range(DRAWS)]
    drawn = [engine_figures(draw(one), steps) for one in draws]
    running = [one for one in drawn if one.rpm > 0.0] or [best]

    def interval(name: str, wider: float = 1.0) -> Interval:
        value = float(getattr(best, name))
        # From the spread of the draws about the best: percentiles of few draws are too narrow.
        off = [(getattr(one, name) - value) ** 2 for one in running]
        half = wider * 1.645 * float(np.sqrt(np.mean(off)))
        return Interval(value, value - half, value + half)

    return {
        "rpm_per_step": interval("rpm_per_step", much * STEP_WIDER),
        "main_pole_rad_s": interval("main_pole_rad_s", much * POLE_WIDER),
        "settled_rpm": interval("rpm"),
    }


def _kept(key: str, spread: float) -> float:
    return float(np.clip(spread, LEAST_OF.get(key, LEAST_SHARE), MOST_SHARE))


def uncertainty_of(
    parameters: Parameters, found: Floats, covariance: Floats, scatter: Scatter, *, limit_seen: bool = True
) -> dict[str, dict[str, float]]:
    """Relative standard deviations for the car file, by table and key [-].

    The file has room for independent spreads only, while a log tells mostly of combinations. So each number
    has the spread that it has with the others held, the leak following where the engine idles, and the base
    load what it takes from the crank (``tuning.ensemble.plausible``): cars drawn with these are, on average,
    as likely as cars of the full covariance. Source: conditional variances, the inverse of the precision's
    diagonal (any textbook); the mean of the quadratic form is the same. Sizes of loads in the log are no part
    of the car and are left free: else the alternator's efficiency, which only such a load tells, would be
    known as if its size were. An alternator's limit counts as told where it was seen.
    """
    names, each = parameters.names, parameters.each
    followers = ("throttle.leak_mm2", "electrics.base_W")
    others = [i for i, one in enumerate(each) if one.table and one.name not in followers]
    precision = np.linalg.inv(covariance[np.ix_(others, others)])
    spreads: dict[str, dict[str, float]] = {}
    for place, at in enumerate(others):
        one = each[at]
        if SIMPLE.get(one.key) is factor:
            held = 1.0 / float(np.sqrt(precision[place, place]))
            if one.key == "alternator_max_W" and not limit_seen:
                held = max(held, UNSEEN_LIMIT)
            spreads.setdefault(one.table, {})[one.key] = _kept(one.key, held)
    together = np.array([float(each[at].key == "area_mm2") for at in others])
    area = 1.0 / float(np.sqrt(together @ precision @ together))
    spreads.setdefault("valve", {})["area_mm2"] = _kept("area_mm2", area)
    backlash = "valve.backlash_steps"
    if backlash in names:
        at = names.index(backlash)
        value = parameters.car.valve.backlash_steps + found[at]
        deviation = float(np.sqrt(covariance[at, at]))
        if value > 0.05:
            spreads["valve"]["backlash_steps"] = _kept("backlash_steps", deviation / value)
    engine = spreads.setdefault("engine", {})
    engine["scatter_share"] = float(scatter.share_sd)
    for table, key in FIXED_BY_THE_LOG:
        spreads.setdefault(table, {})[key] = 0.0
    return spreads
