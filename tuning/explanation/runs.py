"""Runs of a car and of changed copies of it, over starting phases.

A phase is where the position that the engine needs lies between two positions that the valve can
take.  On the road it wanders with temperature, load and wear; here the throttle's leak is changed a
little, by as much air as moves the need evenly over one whole minimum move.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers import Feedback
from sim import (
    COUNTERS,
    Car,
    Fleet,
    Plan,
    SAMPLE_s,
    Scenario,
    full_plan,
    make_fleet,
    run_plan,
    settings_of,
    settings_table,
    with_values,
)
from sim.records import CAR_FIELDS
from tuning.loop import IdlePoint, tread_steps

Reals = NDArray[np.float64]

RUN_s = 120.0
"""Length of a run [s]."""

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
    return with_values(
        car,
        {
            "engine": {"scatter_share": 0.0, "cylinder_balance": (mean,) * cylinders},
            "sensors": {"rpm_noise_rpm": 0.0, "rpm_resolution_rpm": 0.0},
        },
    )


def _phase_fleet(cars: Sequence[Car], phases: Phases, coolant_degC: float) -> Fleet:
    """Every car idling with every leak, phases of a car side by side."""
    fleet = make_fleet(cars, [Scenario(name="idle", duration_s=RUN_s, coolant_degC=coolant_degC)])
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
        return np.asarray(self.counters[:, COUNTERS.index(name)])


def run_phases(
    cars: Sequence[Car],
    phases: Phases,
    *,
    coolant_degC: float,
    seed: int = 0,
    offsets_rpm: Sequence[float] = (0.0,),
) -> Samples:
    """Run each car in each phase from each starting speed, in rows of that order."""
    fleet, count = _phase_fleet(cars, phases, coolant_degC), len(phases)
    settings = np.repeat(settings_table(cars), count, axis=0)
    plan = full_plan(
        fleet, settings, seeds=[0] * len(offsets_rpm), rpm_offset=offsets_rpm, pair_settings_with_cars=True
    )
    plan = plan._replace(seed=(seed + plan.car % count) % 2.0**31)
    periods = np.array([car.feedback.update_period_ms / 1000.0 for car in cars])
    return _kept(fleet, plan, periods[plan.car // count])


def run_settings(
    car: Car,
    feedbacks: Sequence[Feedback],
    phases: Phases,
    *,
    coolant_degC: float,
    seed: int = 0,
    offsets_rpm: Sequence[float] = (0.0,),
) -> Samples:
    """Run one car with many settings in each phase, which take the starting speeds in turn."""
    fleet = _phase_fleet([car], phases, coolant_degC)
    plan = full_plan(fleet, settings_of(car, feedbacks))
    offsets = np.asarray(offsets_rpm, dtype=float)
    plan = plan._replace(seed=(seed + plan.car) % 2.0**31, rpm_offset=offsets[plan.car % offsets.size])
    periods = np.array([one.update_period_ms / 1000.0 for one in feedbacks])
    return _kept(fleet, plan, periods[plan.setting])


def _kept(fleet: Fleet, plan: Plan, period_s: Reals) -> Samples:
    """Run a plan and keep everything."""
    runs = plan.car.size
    samples = int(np.ceil(RUN_s / SAMPLE_s - 1.0e-9))
    left = Samples(
        np.empty((runs, samples), dtype=np.float32),
        np.empty((runs, samples), dtype=np.float32),
        np.empty((runs, len(COUNTERS))),
        period_s,
    )

    def keep(rows: NDArray[np.int64], rpm: Any, steps: Any, counted: Reals) -> None:
        left.rpm[rows], left.steps[rows], left.counters[rows] = rpm, steps, counted

    run_plan(fleet, plan, keep)
    return left
