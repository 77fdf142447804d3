"""Runs of a car and of changed copies of it, over starting phases: whether and how they hunt.

A phase is where the position that the engine needs lies between two positions that the valve can
take.  On the road it wanders with temperature, load and wear; here the throttle's leak is changed a
little, by as much air as moves the need evenly over one whole minimum move.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from controllers import matrix
from sim import COUNTERS, Car, Fleet, Plan, SAMPLE_s, Scenario, make_fleet, run_plan, with_values
from sim.prepare import settings_row
from sim.records import CAR_FIELDS
from tuning.delays import Reals
from tuning.explain_laws import tread_steps
from tuning.explain_point import IdlePoint
from tuning.measures import COLUMN, measure_runs

Truths = NDArray[np.bool_]

RUN_s = 120.0
"""Length of a run [s]."""
TAIL_s = 60.0
"""Its end, over which it is judged: what repeats more slowly is nothing anybody hears [s]."""
STILL_rpm = 5.0
"""A swing below this with the valve still is none [rpm]."""
FLEETS_LEAST_mm2 = 0.0
"""A throttle's leak is not made smaller than this [mm2]."""

_LEAK = CAR_FIELDS.index("leak_m2")


@dataclass(frozen=True, eq=False)
class Ends:
    """How runs without scatter end, a run an entry.

    Attributes
    ----------
    hunting : numpy.ndarray
        Whether it has not come to rest: the valve moves again and again, or speed swings with the
        valve still.
    swing_rpm, period_s : numpy.ndarray
        Mean swing a period, peak to peak, and mean period; 0 and nan at rest, nan below two whole
        periods [rpm, s].
    low_steps, high_steps : numpy.ndarray
        Lowest and highest position visited [steps].
    largest_move_steps : numpy.ndarray
        Largest single move, 0 at rest [steps].
    moves_per_min : numpy.ndarray
        Moves of the valve [1/min].
    error_rpm : numpy.ndarray
        Mean of target less speed [rpm].
    limited_share : numpy.ndarray
        Share of the whole run at a trim limit [-].
    stalled : numpy.ndarray
        Whether it stalled.
    """

    hunting: Truths
    swing_rpm: Reals
    period_s: Reals
    low_steps: Reals
    high_steps: Reals
    largest_move_steps: Reals
    moves_per_min: Reals
    error_rpm: Reals
    limited_share: Reals
    stalled: Truths

    @property
    def chance(self) -> float:
        """Share of runs that hunt [-]."""
        return float(np.mean(self.hunting))

    @property
    def mean_swing_rpm(self) -> float:
        """Mean swing of those that hunt, 0 if none does [rpm]."""
        return float(self.swing_rpm[self.hunting].mean()) if self.hunting.any() else 0.0

    @property
    def usual_period_s(self) -> float:
        """Median period of those that hunt, nan if none has one [s]."""
        known = self.period_s[self.hunting & np.isfinite(self.period_s)]
        return float(np.median(known)) if known.size else float("nan")


@dataclass(frozen=True, eq=False)
class Measured:
    """Measures of runs with scatter, a run a row.

    Attributes
    ----------
    values : numpy.ndarray
        Shape (runs, measures), places as in ``measures.COLUMN``.
    """

    values: Reals

    def of(self, name: str) -> Reals:
        """One measure of all runs.

        Parameters
        ----------
        name : str
            Name of a measure.

        Returns
        -------
        numpy.ndarray
            Shape (runs,).
        """
        return np.asarray(self.values[:, COLUMN[name]])

    def mean(self, name: str) -> float:
        """Mean of one measure over the runs that have it.

        Parameters
        ----------
        name : str
            Name of a measure.

        Returns
        -------
        float
            Nan if none has it.
        """
        column = self.of(name)
        known = column[np.isfinite(column)]
        return float(known.mean()) if known.size else float("nan")


@dataclass(frozen=True)
class Phases:
    """Starting phases of an idle point.

    Attributes
    ----------
    shift_steps : tuple of float
        By how much the position needed is moved [steps].
    leak_mm2 : tuple of float
        Change of the throttle's leak that does it [mm2].
    """

    shift_steps: tuple[float, ...]
    leak_mm2: tuple[float, ...]

    def __len__(self) -> int:
        return len(self.shift_steps)


def even_phases(car: Car, point: IdlePoint, count: int, over_steps: int | None = None) -> Phases:
    """Spread the position needed evenly over one whole move.

    Parameters
    ----------
    car : Car
        Its leak and move.
    point : IdlePoint
        The idle point.
    count : int
        Phases, 1 or more.
    over_steps : int, optional
        Width; the car's own move if not given [steps].

    Returns
    -------
    Phases
        From half a move less to half a move more.
    """
    width = float(tread_steps(car) if over_steps is None else over_steps)
    shifts = ((np.arange(count) + 0.5) / count - 0.5) * width
    smallest = FLEETS_LEAST_mm2 - car.throttle.leak_mm2
    leaks = [max(point.leak_for(float(shift)), smallest) for shift in shifts]
    return Phases(tuple(float(shift) for shift in shifts), tuple(leaks))


def without_scatter(car: Car) -> Car:
    """The same car with even combustion and a perfect speed reading.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    Car
        Cylinders alike at their mean, no scatter, no reading noise, no rounding of the reading.
    """
    cylinders = car.engine.cylinders
    mean = float(np.mean(car.engine.cylinder_balance))
    return with_values(
        car,
        {
            "engine": {"scatter_share": 0.0, "cylinder_balance": (mean,) * cylinders},
            "sensors": {"rpm_noise_rpm": 0.0, "rpm_resolution_rpm": 0.0},
        },
    )


def _phase_fleet(cars: Sequence[Car], phases: Phases, scenario: Scenario) -> Fleet:
    """Every car with every leak, phases of a car side by side."""
    fleet = make_fleet(cars, [scenario])
    count = len(phases)
    rows = np.repeat(fleet.cars, count, axis=0)
    rows[:, _LEAK] += np.tile(phases.leak_mm2, len(cars)) * 1.0e-6
    tables = fleet.tables._replace(
        valve_m2=np.repeat(fleet.tables.valve_m2, count, axis=0),
        balance=np.repeat(fleet.tables.balance, count, axis=0),
        curves=np.repeat(fleet.tables.curves, count, axis=0),
    )
    return replace(fleet, cars=rows, tables=tables)


def _phase_plan(
    fleet: Fleet, settings: Reals, which: NDArray[np.int64], seeds: Reals, offsets: Reals
) -> Plan:
    """One run a row: car ``which[row]`` of the fleet, its settings, seed and starting speed."""
    runs = which.size
    return Plan(
        cars=np.ascontiguousarray(fleet.cars),
        settings=np.ascontiguousarray(settings),
        scenarios=np.ascontiguousarray(fleet.scenarios),
        car=which,
        setting=np.arange(runs),
        scenario=np.zeros(runs, dtype=np.int64),
        seed=seeds,
        base_error_steps=np.zeros(runs),
        rpm_offset=offsets,
    )


@dataclass(frozen=True, eq=False)
class Samples:
    """What some runs left, a run a row.

    Attributes
    ----------
    rpm, steps : numpy.ndarray
        Shape (runs, samples) [rpm, steps].
    counters : numpy.ndarray
        Shape (runs, counters) in the order of ``sim.COUNTERS``.
    period_s : numpy.ndarray
        Shape (runs,): update period of each [s].
    """

    rpm: NDArray[np.float32]
    steps: NDArray[np.float32]
    counters: Reals
    period_s: Reals

    def counted(self, name: str) -> Reals:
        """One counter of all runs.

        Parameters
        ----------
        name : str
            One of ``sim.COUNTERS``.

        Returns
        -------
        numpy.ndarray
            Shape (runs,).
        """
        return np.asarray(self.counters[:, COUNTERS.index(name)])


def run_phases(
    cars: Sequence[Car],
    phases: Phases,
    *,
    coolant_degC: float,
    seed: int = 0,
    offsets_rpm: Sequence[float] = (0.0,),
    duration_s: float = RUN_s,
) -> Samples:
    """Run each car in each phase from each starting speed.

    Parameters
    ----------
    cars : sequence of Car
        Changed copies of one car.
    phases : Phases
        Starting phases, the same for all.
    coolant_degC : float
        Coolant temperature, held [degC].
    seed : int
        First seed; phase n takes seed + n, the same for every car.
    offsets_rpm : sequence of float
        Speeds at the start above target [rpm].
    duration_s : float
        Length of the runs [s].

    Returns
    -------
    Samples
        Rows car by car, then phase by phase, then start by start.
    """
    scenario = Scenario(name="idle", duration_s=duration_s, coolant_degC=coolant_degC)
    fleet = _phase_fleet(cars, phases, scenario)
    starts = len(offsets_rpm)
    which = np.repeat(np.arange(len(fleet.cars)), starts)
    own = np.vstack([matrix(settings_row(car)) for car in cars])
    plan = _phase_plan(
        fleet,
        np.repeat(own, len(phases) * starts, axis=0),
        which,
        (seed + which % len(phases)) % 2.0**31,
        np.tile(np.asarray(offsets_rpm, dtype=float), len(fleet.cars)),
    )
    samples = int(np.ceil(duration_s / SAMPLE_s - 1.0e-9))
    left = Samples(
        np.empty((which.size, samples), dtype=np.float32),
        np.empty((which.size, samples), dtype=np.float32),
        np.empty((which.size, len(COUNTERS))),
        np.repeat([car.feedback.update_period_ms / 1000.0 for car in cars], len(phases) * starts),
    )

    def keep(
        rows: NDArray[np.int64],
        rpm: NDArray[np.float32],
        steps: NDArray[np.float32],
        counted: Reals,
    ) -> None:
        left.rpm[rows], left.steps[rows], left.counters[rows] = rpm, steps, counted

    run_plan(fleet, plan, keep)
    return left


def _spans(steps: NDArray[np.float32]) -> NDArray[np.int64]:
    """Samples at which the valve rises through the middle of its swing: beginnings of periods."""
    middle = 0.5 * (float(steps.min()) + float(steps.max()))
    return np.flatnonzero((steps[1:] > middle) & (steps[:-1] <= middle)) + 1


def _swing(rpm: NDArray[np.float32], steps: NDArray[np.float32]) -> tuple[float, float]:
    """Mean swing and period of a run that hunts [rpm, s]."""
    begins = _spans(steps)
    if begins.size < 2:
        return float(np.ptp(rpm)), float("nan")
    swings = [np.ptp(rpm[a:b]) for a, b in zip(begins[:-1], begins[1:], strict=True)]
    period = (begins[-1] - begins[0]) / (begins.size - 1) * SAMPLE_s
    return float(np.mean(swings)), float(period)


def ends_of(samples: Samples, duration_s: float = RUN_s) -> Ends:
    """Judge how runs without scatter end, from their last minute.

    Parameters
    ----------
    samples : Samples
        What they left.
    duration_s : float
        Their length [s].

    Returns
    -------
    Ends
        A run an entry.

    Notes
    -----
    Hunting: two moves or more in the last minute, or a swing of more than 5 rpm without any.
    Source: our definition.
    """
    tail = round(min(TAIL_s, 0.5 * duration_s) / SAMPLE_s)
    rpm, steps = samples.rpm[:, -tail:], samples.steps[:, -tail:]
    changes = np.diff(steps, axis=1)
    moves = np.count_nonzero(changes, axis=1)
    swings = np.ptp(rpm, axis=1).astype(float)
    stalled = np.isfinite(samples.counted("stalled_s"))
    hunting = ((moves >= 2) | ((moves == 0) & (swings > STILL_rpm))) & ~stalled
    swing, period = np.zeros(moves.size), np.full(moves.size, np.nan)
    for row in np.flatnonzero(hunting):
        swing[row], period[row] = _swing(rpm[row], steps[row])
    updates = duration_s / samples.period_s
    return Ends(
        hunting=hunting,
        swing_rpm=swing,
        period_s=period,
        low_steps=steps.min(axis=1).astype(float),
        high_steps=steps.max(axis=1).astype(float),
        largest_move_steps=np.abs(changes).max(axis=1).astype(float),
        moves_per_min=moves * 60.0 / (tail * SAMPLE_s),
        error_rpm=samples.counted("target_rpm") - rpm.mean(axis=1, dtype=float),
        limited_share=samples.counted("limited_updates") / updates,
        stalled=stalled,
    )


def measured(samples: Samples, duration_s: float = RUN_s, floor_rpm: float = 0.0) -> Measured:
    """Measure runs with scatter over all but their first 20 s.

    Parameters
    ----------
    samples : Samples
        What they left.
    duration_s : float
        Their length [s].
    floor_rpm : float
        Swing with the valve held, 0 where not known [rpm].

    Returns
    -------
    Measured
        By the measures of ``tuning.measures``.
    """
    stalled_s = samples.counted("stalled_s")
    first = np.where(np.isfinite(stalled_s), np.ceil(stalled_s / SAMPLE_s) - 1.0, -1.0)
    values = measure_runs(
        samples.rpm,
        samples.steps,
        [("hunting", 20.0, duration_s)],
        samples.counted("target_rpm"),
        first.astype(np.int64),
        floor_rpm,
    )
    return Measured(values)


def part(ends: Ends, rows: slice) -> Ends:
    """Some of the runs.

    Parameters
    ----------
    ends : Ends
        All.
    rows : slice
        Which.

    Returns
    -------
    Ends
        Those.
    """
    return Ends(**{name: values[rows] for name, values in vars(ends).items()})
