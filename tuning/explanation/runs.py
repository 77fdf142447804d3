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
LEAST_LEAK_mm2 = 0.0
"""A throttle's leak is not made smaller than this [mm2]."""

_LEAK = CAR_FIELDS.index("leak_m2")


@dataclass(frozen=True)
class Phases:
    """Starting phases of an idle point."""

    shift_steps: tuple[float, ...]  # by how much the position needed is moved
    leak_mm2: tuple[float, ...]  # change of the throttle's leak that does it

    def __len__(self) -> int:
        return len(self.shift_steps)


def even_phases(car: Car, point: IdlePoint, count: int, over_steps: int | None = None) -> Phases:
    """Spread the position needed evenly over one whole move, half of it to either side."""
    width = float(tread_steps(car) if over_steps is None else over_steps)
    shifts = ((np.arange(count) + 0.5) / count - 0.5) * width
    smallest = LEAST_LEAK_mm2 - car.throttle.leak_mm2
    leaks = [max(point.leak_for(float(shift)), smallest) for shift in shifts]
    return Phases(tuple(float(shift) for shift in shifts), tuple(leaks))


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


def _rows_plan(
    fleet: Fleet,
    settings: Any,
    car: NDArray[np.int64],
    setting: NDArray[np.int64],
    seeds: Any,
    offsets: Reals,
) -> Plan:
    """One run a row: its car, its settings, its seed and its starting speed."""
    runs = car.size
    return Plan(
        cars=np.ascontiguousarray(fleet.cars),
        settings=np.ascontiguousarray(settings),
        scenarios=np.ascontiguousarray(fleet.scenarios),
        car=car,
        setting=setting,
        scenario=np.zeros(runs, dtype=np.int64),
        seed=seeds,
        base_error_steps=np.zeros(runs),
        rpm_offset=offsets,
    )


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
    duration_s: float = RUN_s,
) -> Samples:
    """Run each car in each phase from each starting speed, in rows of that order."""
    scenario = Scenario(name="idle", duration_s=duration_s, coolant_degC=coolant_degC)
    fleet = _phase_fleet(cars, phases, scenario)
    starts = len(offsets_rpm)
    which = np.repeat(np.arange(len(fleet.cars)), starts)
    setting = which // len(phases)
    plan = _rows_plan(
        fleet,
        settings_table(cars),
        which,
        setting,
        (seed + which % len(phases)) % 2.0**31,
        np.tile(np.asarray(offsets_rpm, dtype=float), len(fleet.cars)),
    )
    periods = np.array([car.feedback.update_period_ms / 1000.0 for car in cars])
    return _kept(fleet, plan, periods[setting], duration_s)


def run_settings(
    car: Car,
    feedbacks: Sequence[Feedback],
    phases: Phases,
    *,
    coolant_degC: float,
    seed: int = 0,
    offsets_rpm: Sequence[float] = (0.0,),
    duration_s: float = RUN_s,
) -> Samples:
    """Run one car with many settings in each phase, in rows of that order."""
    scenario = Scenario(name="idle", duration_s=duration_s, coolant_degC=coolant_degC)
    fleet = _phase_fleet([car], phases, scenario)
    table = settings_of(car, feedbacks)
    offsets = np.asarray(offsets_rpm, dtype=float)
    setting, which = (axis.ravel() for axis in np.indices((len(feedbacks), len(phases))))
    plan = _rows_plan(fleet, table, which, setting, (seed + which) % 2.0**31, offsets[which % offsets.size])
    periods = np.array([one.update_period_ms / 1000.0 for one in feedbacks])
    return _kept(fleet, plan, periods[setting], duration_s)


def _kept(fleet: Fleet, plan: Plan, period_s: Reals, duration_s: float) -> Samples:
    """Run a plan and keep everything."""
    runs = plan.car.size
    samples = int(np.ceil(duration_s / SAMPLE_s - 1.0e-9))
    left = Samples(
        np.empty((runs, samples), dtype=np.float32),
        np.empty((runs, samples), dtype=np.float32),
        np.empty((runs, len(COUNTERS))),
        period_s,
    )

    def keep(
        rows: NDArray[np.int64], rpm: NDArray[np.float32], steps: NDArray[np.float32], counted: Reals
    ) -> None:
        left.rpm[rows], left.steps[rows], left.counters[rows] = rpm, steps, counted

    run_plan(fleet, plan, keep)
    return left
