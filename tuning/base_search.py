"""Search of open-loop curves by starting the modelled car: base, cranking and after-start air.

First the base: the engine is started at each temperature under a slow, fine feedback of our own
and what that holds while the engine warms up is the position it needs at each coolant temperature,
with its air as cold and its oil as far behind as they then are.  Then all three curves: many are
started without feedback, and the one nearest to the targets is bettered point by point.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tuning._row import START_TOLERANCE_rpm
from tuning.start_trials import (
    STABLE_s,
    StartResult,
    start_results,
    start_scenario,
    target_moves,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim import Car, Trace

STARTS_degC = (-20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0)
SHIFTS_steps = (-1.0, 0.0, 1.0)
CRANKING_EXTRA_steps = (6.0, 14.0)
AFTER_START_steps = (0.0, 4.0, 9.0)
SEEDS = (11, 12, 13, 14)
CHANGES = (
    (0, -2.0), (0, -1.0), (0, 1.0), (0, 2.0), (1, -8.0), (1, 8.0), (2, -3.0), (2, 3.0),
)  # fmt: skip
"""Changes of a point that are tried: of base 0, cranking above base 1, after-start 2 [steps]."""
WEIGHTS = {"flare": 1.0, "dip": 2.0, "stable": 1.0}
"""What missing a target counts: a dip can end in a stall [-]."""
EASE = 0.02
"""What a target that is met counts, so that it is met with ease [-]."""
WORTH = 0.01
"""A change is made for more than this [-]."""
LEAST_EXTRA_steps = 4.0
"""Cranking stands at least so far above the base; common practice, no source [steps]."""
LEAST_CRANKING_steps = 20.0
"""No cranking position below this; common practice, no source [steps]."""
ROUNDS = 6
"""How often points are bettered, every other one at a time."""
SPARE = 0.85
"""Targets are aimed at with this share of them, so that fresh starts meet them too [-]."""
HOLD_s, FADED_s = 110.0, 15.0
"""Length of the runs that tell the base, and what is left out of each after it runs [s]."""
HOLDING = {
    "law": "pi",
    "gain_steps_per_100rpm": 1.0,
    "integral_steps_per_100rpm_s": 1.5,
    "deadband_rpm": 0.0,
    "min_move_steps": 1,
    "update_period_ms": 200.0,
    "enable_delay_s": 0.0,
    "enable_above_target_rpm": 1000.0,
}
"""The feedback that tells what the engine needs: slow, fine, without a deadband."""


@dataclass(frozen=True)
class StartTargets:
    """What a start should be like; common practice, no source.

    Attributes
    ----------
    flare_rpm : float
        Highest above target [rpm].
    dip_rpm : float
        Lowest below target once it was reached [rpm].
    stable_s : float
        From the key until speed stays within 100 rpm of target [s].
    """

    flare_rpm: float = 500.0
    dip_rpm: float = 120.0
    stable_s: float = STABLE_s

    def ratios(self, one: StartResult) -> dict[str, float]:
        """What a start reached over what was aimed at.

        Parameters
        ----------
        one : StartResult
            Starts that run.

        Returns
        -------
        dict of str to float
            "flare", "dip" and "stable" (how far speed strays once it should be stable): up to 1
            is met [-].
        """
        return {
            "flare": one.flare_rpm / self.flare_rpm,
            "dip": one.dip_rpm / self.dip_rpm,
            "stable": one.late_rpm / START_TOLERANCE_rpm,
        }

    def met(self, one: StartResult) -> bool:
        """Whether starts run and meet all targets.

        Parameters
        ----------
        one : StartResult
            The starts.

        Returns
        -------
        bool
            True if so.
        """
        return one.runs and max(self.ratios(one).values()) <= 1.0

    def wanted(self, name: str) -> str:
        """What is wanted of one target.

        Parameters
        ----------
        name : str
            "flare", "dip" or "stable".

        Returns
        -------
        str
            Number and unit.
        """
        if name == "flare":
            return f"up to {self.flare_rpm:.0f} rpm"
        if name == "dip":
            return f"up to {self.dip_rpm:.0f} rpm"
        return f"within {START_TOLERANCE_rpm:.0f} rpm from {self.stable_s:.0f} s after the key on"


@dataclass(frozen=True)
class StartCurves:
    """Curves at the temperatures of the starts.

    Attributes
    ----------
    base, cranking, after : tuple of float
        At each of ``STARTS_degC``, never rising [steps].
    """

    base: tuple[float, ...]
    cranking: tuple[float, ...]
    after: tuple[float, ...]


@dataclass(frozen=True)
class SearchResult:
    """Curves found, and all that was tried.

    Attributes
    ----------
    curves : StartCurves
        The best.
    tried : tuple of tuple of StartResult
        Starts of every curve tried, a result a temperature.
    """

    curves: StartCurves
    tried: tuple[tuple[StartResult, ...], ...]


def _held(trace: Trace) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Coolant as sensed and position held, twice a second, once after-start air has gone."""
    ran = np.flatnonzero(trace["running"] > 0.5)
    if not ran.size or trace.time_s[ran[0]] + FADED_s >= trace.duration_s:
        return np.empty(0), np.empty(0)
    times = np.arange(trace.time_s[ran[0]] + FADED_s, trace.duration_s, 0.5)
    rows = np.searchsorted(trace.time_s, times) - 1
    return trace["coolant_sensed_degC"][rows], trace["pintle_steps"][rows]


def needed_steps(car: Car, seed: int) -> NDArray[np.float64]:
    """Position that a starting and warming engine needs at each temperature of a start.

    Parameters
    ----------
    car : Car
        The car; feedback and after-start air are not its own here.
    seed : int
        Of the runs.

    Returns
    -------
    numpy.ndarray
        At each of ``STARTS_degC``, joined by straight lines; nan where no start came so far
        [steps].

    Notes
    -----
    Source: least squares of what feedback holds, weighted by how long; definition our own.
    """
    from sim import simulate, with_values

    limit = float(car.valve.open_limit_steps)
    changes: dict[str, dict[str, object]] = {
        "feedback": {**HOLDING, "trim_limit_steps": (-limit, limit)},
        "curves": {"after_start_steps": [[0.0, 0.0], [1.0, 0.0]]},
    }
    held_car = with_values(car, changes)
    told = [
        _held(simulate(held_car, start_scenario(degC, HOLD_s), seed=seed)) for degC in STARTS_degC
    ]
    coolant, steps = (np.concatenate(part) for part in zip(*told, strict=True))
    hats = np.array([np.interp(coolant, STARTS_degC, one) for one in np.eye(len(STARTS_degC))])
    seen = hats.sum(axis=1) > 1.0
    found = np.full(len(STARTS_degC), np.nan)
    found[seen] = np.linalg.lstsq(hats[seen].T, steps, rcond=None)[0]
    return found


def cost(one: StartResult, aims: StartTargets) -> float:
    """How far a start is from what is aimed at.

    Parameters
    ----------
    one : StartResult
        The starts.
    aims : StartTargets
        What is aimed at.

    Returns
    -------
    float
        Sum of what is missing of each target as a share of it; 100 for a car that does not run
        [-].
    """
    if not one.runs:
        return 100.0
    ratios = aims.ratios(one).items()
    return sum(WEIGHTS[name] * max(0.0, ratio - SPARE) + EASE * ratio for name, ratio in ratios)


def with_start_curves(car: Car, curves: StartCurves) -> Car:
    """The car with curves at the temperatures of the starts.

    Parameters
    ----------
    car : Car
        Left as it is.
    curves : StartCurves
        Held beyond the warmest.

    Returns
    -------
    Car
        The changed car.
    """
    from sim import with_values

    def points(values: tuple[float, ...]) -> list[list[float]]:
        return [list(pair) for pair in zip(STARTS_degC, values, strict=True)]

    return with_values(
        car,
        {
            "curves": {
                "base_steps": points(curves.base),
                "cranking_steps": points(curves.cranking),
                "after_start_steps": points(curves.after),
            }
        },
    )


def falling(values: Any) -> tuple[float, ...]:
    """Make a curve that never rises with warmth: no point is below a warmer one.

    Parameters
    ----------
    values : sequence of float
        From cold to warm [steps].

    Returns
    -------
    tuple of float
        Each at least as high as all that follow [steps].
    """
    return tuple(float(v) for v in np.maximum.accumulate(np.asarray(values)[::-1])[::-1])


class _Search:
    """Starts of many curves of one car, and what each came to."""

    def __init__(self, car: Car, aims: StartTargets, seed: int) -> None:
        self.car, self.aims = car, aims
        self.limit = float(car.valve.open_limit_steps)
        self.seeds = [seed + one for one in SEEDS]
        self.tried: list[tuple[StartResult, ...]] = []
        self.moves: list[NDArray[np.float32]] | None = None

    def curves(self, base: Any, extra: Any, after: Any) -> StartCurves:
        """Curves within the valve's limits from base, air above it while cranking, after-start."""
        level = np.clip(np.rint(base), 0.0, self.limit)
        above = level + np.maximum(np.asarray(extra), LEAST_EXTRA_steps)
        cranking = np.clip(above, LEAST_CRANKING_steps, self.limit)
        return StartCurves(
            falling(level), falling(cranking), falling(np.maximum(np.asarray(after), 0.0))
        )

    def costs(self, tried: list[StartCurves]) -> NDArray[np.float64]:
        """Cost of each of some curves at each temperature; less air wins among equals."""
        cars = [with_start_curves(self.car, one) for one in tried]
        if self.moves is None:
            self.moves = target_moves(cars[len(cars) // 2], STARTS_degC)
        found = start_results(cars, STARTS_degC, self.seeds, self.aims.stable_s, self.moves)
        self.tried += found
        air = np.array([np.add(one.cranking, one.after) for one in tried])
        return np.array([[cost(one, self.aims) for one in row] for row in found]) + 1e-4 * air


def search_curves(car: Car, need: Any, aims: StartTargets, seed: int) -> SearchResult:
    """Find base, cranking and after-start curves whose starts come nearest to the targets.

    Parameters
    ----------
    car : Car
        The car; its target speeds and its fade of after-start air are kept.
    need : array_like
        Position needed at each of ``STARTS_degC`` [steps].
    aims : StartTargets
        What a start should be like.
    seed : int
        Added to the seeds of all starts.

    Returns
    -------
    SearchResult
        The curves and all starts tried.

    Notes
    -----
    A valve that moves by no less than m steps stays up to m - 1 above a falling base curve, half
    of that on average: the search begins that much lower.
    Source: definition our own; coordinate search.
    """
    search = _Search(car, aims, seed)
    count = len(STARTS_degC)
    middle = np.asarray(need) - 0.5 * (car.feedback.min_move_steps - 1)
    choices = [
        (middle + shift, np.full(count, extra), np.full(count, air))
        for shift in SHIFTS_steps
        for extra in CRANKING_EXTRA_steps
        for air in AFTER_START_steps
    ]
    costs = search.costs([search.curves(*one) for one in choices])
    rows = list(choices[int(np.argmin(costs.sum(axis=1)))])
    return SearchResult(_bettered(search, rows), tuple(search.tried))


def _bettered(search: _Search, rows: list[NDArray[np.float64]]) -> StartCurves:
    """Change every other point at a time, each as its own starts and the next colder ones like it.

    A point acts on the start at its temperature and on the end of the next colder one, so points
    that are not neighbours are tried together in one curve.
    """
    best, least = search.curves(*rows), np.inf
    for turn in range(ROUNDS):
        places = np.arange(turn % 2, len(STARTS_degC), 2)
        tried = [rows]
        for kind, by in CHANGES:
            other = [row.copy() for row in rows]
            other[kind][places] += by
            tried.append(other)
        costs = search.costs([search.curves(*one) for one in tried])
        if costs[0].sum() < least:
            least, best = float(costs[0].sum()), search.curves(*rows)
        felt = costs + np.concatenate([np.zeros((len(tried), 1)), costs[:, :-1]], axis=1)
        rows = [row.copy() for row in rows]
        for place in places:
            chosen = int(np.argmin(felt[:, place]))
            if felt[chosen, place] < felt[0, place] - WORTH:
                kind, by = CHANGES[chosen - 1]
                rows[kind][place] += by
    last = search.curves(*rows)
    return last if search.costs([last]).sum() < least else best
