"""Runs of a car and of changed copies of it, over starting phases, and how they end.

A phase is where the position that the engine needs lies between two positions that the valve can
take.  On the road it wanders with temperature, load and wear; here the throttle's leak is changed a
little, by as much air as moves the need evenly over one whole minimum move.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

import sim
from controllers import Feedback
from sim import Car
from sim.records import CAR_FIELDS
from tuning.loop import IdlePoint, tread_steps
from tuning.measures import COLUMN, measure_runs, races

Reals = NDArray[np.float64]

RUN_s = 120.0  # Length of a run [s].

_LEAK = CAR_FIELDS.index("leak_m2")

Phases = tuple[float, ...]
"""Starting phases of an idle point: changes of the throttle's leak that move the position needed [mm2]."""


def even_phases(car: Car, point: IdlePoint, count: int) -> Phases:
    """Spread the position needed evenly over one whole move, half of it to either side."""
    shifts = ((np.arange(count) + 0.5) / count - 0.5) * float(tread_steps(car))
    # A throttle's leak is not made smaller than none.
    return tuple(max(point.leak_for(float(shift)), 0.0 - car.throttle.leak_mm2) for shift in shifts)


def without_scatter(car: Car) -> Car:
    """The same car with cylinders alike at their mean, no scatter, no noise or rounding of the reading."""
    cylinders = car.engine.cylinders
    mean = float(np.mean(car.engine.cylinder_balance))
    return sim.with_values(
        car,
        {
            "engine": {"scatter_share": 0.0, "cylinder_balance": (mean,) * cylinders},
            "sensors": {"rpm_noise_rpm": 0.0, "rpm_resolution_rpm": 0.0},
        },
    )


def _phase_fleet(cars: Sequence[Car], phases: Phases, coolant_degC: float) -> sim.Fleet:
    """Every car idling with every leak, phases of a car side by side."""
    fleet = sim.make_fleet(cars, [sim.Scenario(name="idle", duration_s=RUN_s, coolant_degC=coolant_degC)])
    count = len(phases)
    rows = np.repeat(fleet.cars, count, axis=0)
    rows[:, _LEAK] += np.tile(phases, len(cars)) * 1.0e-6
    tables = fleet.tables._replace(
        valve_m2=np.repeat(fleet.tables.valve_m2, count, axis=0),
        balance=np.repeat(fleet.tables.balance, count, axis=0),
        curves=np.repeat(fleet.tables.curves, count, axis=0),
    )
    return replace(fleet, cars=rows, tables=tables)


@dataclass(frozen=True, eq=False)
class Samples:
    """What some runs left, a run a row."""

    rpm: NDArray[np.float32]  # shape (runs, samples) [rpm, steps]
    steps: NDArray[np.float32]
    counters: Reals  # shape (runs, counters) in the order of ``sim.COUNTERS``
    period_s: Reals  # shape (runs,): update period of each

    def counted(self, name: str) -> Reals:
        """One counter of all runs, shape (runs,) [-]."""
        return np.asarray(self.counters[:, sim.COUNTERS.index(name)])


def run_phases(
    cars: Sequence[Car], phases: Phases, *, coolant_degC: float, seed: int = 0,
    offsets_rpm: Sequence[float] = (0.0,),
) -> Samples:  # fmt: skip
    """Run each car in each phase from each starting speed, in rows of that order."""
    fleet, count = _phase_fleet(cars, phases, coolant_degC), len(phases)
    settings = np.repeat(sim.settings_table(cars), count, axis=0)
    plan = sim.full_plan(
        fleet, settings, seeds=[0] * len(offsets_rpm), rpm_offset=offsets_rpm, pair_settings_with_cars=True
    )
    plan = plan._replace(seed=(seed + plan.car % count) % 2.0**31)
    periods = np.array([car.feedback.update_period_ms / 1000.0 for car in cars])
    return _kept(fleet, plan, periods[plan.car // count])


def run_settings(
    car: Car, feedbacks: Sequence[Feedback], phases: Phases, *, coolant_degC: float, seed: int = 0,
    offsets_rpm: Sequence[float] = (0.0,),
) -> Samples:  # fmt: skip
    """Run one car with many settings in each phase, which take the starting speeds in turn."""
    fleet = _phase_fleet([car], phases, coolant_degC)
    plan = sim.full_plan(fleet, sim.settings_of(car, feedbacks))
    offsets = np.asarray(offsets_rpm, dtype=float)
    plan = plan._replace(seed=(seed + plan.car) % 2.0**31, rpm_offset=offsets[plan.car % offsets.size])
    periods = np.array([one.update_period_ms / 1000.0 for one in feedbacks])
    return _kept(fleet, plan, periods[plan.setting])


def _kept(fleet: sim.Fleet, plan: sim.Plan, period_s: Reals) -> Samples:
    """Run a plan and keep everything."""
    runs = plan.car.size
    samples = int(np.ceil(RUN_s / sim.SAMPLE_s - 1.0e-9))
    left = Samples(
        np.empty((runs, samples), dtype=np.float32), np.empty((runs, samples), dtype=np.float32),
        np.empty((runs, len(sim.COUNTERS))), period_s,
    )  # fmt: skip

    def keep(rows: NDArray[np.int64], rpm: Any, steps: Any, counted: Reals) -> None:
        left.rpm[rows], left.steps[rows], left.counters[rows] = rpm, steps, counted

    sim.run_plan(fleet, plan, keep)
    return left


Truths = NDArray[np.bool_]

TAIL_s = 60.0  # Its end, over which it is judged: what repeats more slowly is nothing anybody hears [s].
STILL_rpm = 5.0  # A swing below this is none, whatever the valve does [rpm].


@dataclass(frozen=True, eq=False)
class Ends:
    """How runs without scatter end, a run an entry."""

    hunting: Truths  # not at rest: speed swings while the valve moves again and again, or stands still
    swing_rpm: Reals  # mean a period, peak to peak, and mean period; at rest 0 and nan, nan below two periods
    period_s: Reals
    low_steps: Reals  # lowest and highest position visited
    high_steps: Reals
    largest_move_steps: Reals  # largest single move, 0 at rest
    moves_per_min: Reals  # moves of the valve
    error_rpm: Reals  # mean of target less speed
    limited_share: Reals  # share of the whole run at a trim limit
    stalled: Truths  # whether it stalled; whether it races
    racing: Truths

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
    """Measures of runs with scatter, a run a row."""

    values: Reals  # shape (runs, measures), places as in ``measures.COLUMN``

    def of(self, name: str) -> Reals:
        """One measure of all runs, shape (runs,) [any]."""
        return np.asarray(self.values[:, COLUMN[name]])

    def mean(self, name: str) -> float:
        """Mean of one measure over the runs that have it, nan if none has it [any]."""
        column = self.of(name)
        known = column[np.isfinite(column)]
        return float(known.mean()) if known.size else float("nan")


def rises(steps: NDArray[Any], middle: float) -> NDArray[np.int64]:
    """Samples at which the valve rises through the middle of its swing: beginnings of periods."""
    return np.flatnonzero((steps[1:] > middle) & (steps[:-1] <= middle)) + 1


def _swing(rpm: NDArray[np.float32], steps: NDArray[np.float32]) -> tuple[float, float]:
    """Mean swing and period of a run that hunts [rpm, s]."""
    begins = rises(steps, 0.5 * (float(steps.min()) + float(steps.max())))
    if begins.size < 2:
        return float(np.ptp(rpm)), float("nan")
    swings = [np.ptp(rpm[a:b]) for a, b in pairwise(begins)]
    period = (begins[-1] - begins[0]) / (begins.size - 1) * sim.SAMPLE_s
    return float(np.mean(swings)), float(period)


def ends_of(samples: Samples) -> Ends:
    """Judge how runs without scatter end, from their last minute.

    Hunting: a swing of more than 5 rpm in the last minute, with two moves or more, or without any; a
    single move is a last step on the way to rest. Source: our definition.
    """
    tail = round(TAIL_s / sim.SAMPLE_s)
    rpm, steps = samples.rpm[:, -tail:], samples.steps[:, -tail:]
    changes = np.diff(steps, axis=1)
    moves = np.count_nonzero(changes, axis=1)
    swings = np.ptp(rpm, axis=1).astype(float)
    stalled = np.isfinite(samples.counted("stalled_s"))
    hunting = (moves != 1) & (swings > STILL_rpm) & ~stalled
    swing, period = np.zeros(moves.size), np.full(moves.size, np.nan)
    for row in np.flatnonzero(hunting):
        swing[row], period[row] = _swing(rpm[row], steps[row])
    updates = RUN_s / samples.period_s
    target_rpm = samples.counted("target_rpm")
    error_rpm = target_rpm - rpm.mean(axis=1, dtype=float)
    return Ends(
        hunting=hunting, swing_rpm=swing, period_s=period, low_steps=steps.min(axis=1).astype(float),
        high_steps=steps.max(axis=1).astype(float),
        largest_move_steps=np.abs(changes).max(axis=1).astype(float),
        moves_per_min=moves * 60.0 / (tail * sim.SAMPLE_s), error_rpm=error_rpm,
        limited_share=samples.counted("limited_updates") / updates, stalled=stalled,
        racing=races(error_rpm, target_rpm),
    )  # fmt: skip


def measured(samples: Samples) -> Measured:
    """Measure runs with scatter over all but their first 20 s."""
    stalled_s = samples.counted("stalled_s")
    first = np.where(np.isfinite(stalled_s), np.ceil(stalled_s / sim.SAMPLE_s) - 1.0, -1.0)
    values = measure_runs(
        samples.rpm, samples.steps, [("hunting", 20.0, RUN_s)], samples.counted("target_rpm"),
        first.astype(np.int64),
    )  # fmt: skip
    return Measured(values)


def part(ends: Ends, rows: slice) -> Ends:
    """Some of the runs."""
    return Ends(**{name: values[rows] for name, values in vars(ends).items()})
