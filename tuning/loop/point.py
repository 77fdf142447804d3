"""The one operating point: where the valve must stand for a speed, and the linear engine there."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from controllers import curve_at
from sim import Car, with_values
from sim.linearise import Slopes, linearise, settled_rpm
from sim.prepare import valve_areas_m2
from tuning.loop.linear import LinearIdle, Reals, RPM_PER_rad_s, linear_idle

WARM_degC = 90.0  # Coolant of the warm idle that is explained.


@dataclass(frozen=True, eq=False)
class IdlePoint:
    """A settled idle at the target speed."""

    coolant_degC: float
    load_W: float  # above the car's own base load
    target_rpm: float
    needed_steps: float  # where the engine settles at the target, between whole steps too
    base_steps: float  # where the base curve puts the valve
    rpm: Reals  # settled speed at each whole position
    opening_mm2: Reals  # the valve's own area at each whole position
    slopes: Slopes  # the engine's, there
    plant: LinearIdle  # the linear engine that they make
    rpm_per_step: float  # steady; without its spark table where that keeps the engine from holding its speed

    @property
    def positions(self) -> Reals:
        """Whole positions from the seat on [steps]."""
        return np.arange(self.rpm.size, dtype=float)

    def rpm_with_leak(self, extra_mm2: float) -> Reals:
        """Settled speed at each whole position with more air past the throttle: parallel openings add [rpm].

        The area is more than the car's own, also negative.
        """
        return np.asarray(np.interp(self.opening_mm2 + extra_mm2, self.opening_mm2, self.rpm))

    def leak_for(self, shift_steps: float) -> float:
        """Area to add to the throttle's leak so that the valve must stand further open by so much [mm2]."""
        at = self.needed_steps + np.array([0.0, shift_steps])
        here, there = np.interp(at, self.positions, self.opening_mm2)
        return float(here - there)


def linear_plant(car: Car, slopes: Slopes) -> LinearIdle:
    """The linear engine from the model's slopes at a settled point.

    The charge is drawn over one firing interval and its torque held over one, half of which each is in the
    delay's crank angle or in the interval before, so half an interval is added. A spark table that advances
    by a per rpm below target adds torque for the charge just trapped, which then takes the same way. A
    reading that keeps a share k of the old one at each firing lags by k/(1 - k) intervals. Source:
    ``sim.firing`` and ``sim.prepare.delay_shares``; derivation our own.
    """
    interval_s = 120.0 / slopes.rpm / car.engine.cylinders
    keep = car.sensors.rpm_smoothing
    advance_deg_per_rpm = car.spark.advance_deg_per_rpm + car.feedback.spark_deg_per_rpm
    by_spark = slopes.torque_per_spark_deg * advance_deg_per_rpm * RPM_PER_rad_s
    return linear_idle(
        replace(slopes, charge_torque_per_rad_s=slopes.charge_torque_per_rad_s - by_spark),
        inertia_kg_m2=car.engine.inertia_kg_m2,
        delay_s=car.engine.torque_delay_deg / (6.0 * slopes.rpm) + 0.5 * interval_s,
        firing_interval_s=interval_s,
        sensor_lag_s=interval_s * keep / (1.0 - keep),
        valve_step_s=car.valve.step_ms / 1000.0,
    )


def with_rpm_per_step(plant: LinearIdle, rpm_per_step: float) -> LinearIdle:
    """The same engine with another worth of a step."""
    scaled = plant.B.copy()
    scaled[:, 0] *= rpm_per_step / plant.rpm_per_step
    return replace(plant, B=scaled)


def _plant_and_worth(car: Car, slopes: Slopes) -> tuple[LinearIdle, float, float]:
    """The linear engine, what a step is worth, and what it were with a spark that stands still [rpm/step].

    Where the spark keeps the engine from holding its speed a step is worth the latter.
    """
    plant = plain = linear_plant(car, slopes)
    if car.spark.advance_deg_per_100rpm or car.feedback.spark_trim_deg_per_100rpm:
        still = {"spark": {"advance_deg_per_100rpm": 0.0}, "feedback": {"spark_trim_deg_per_100rpm": 0.0}}
        plain = linear_plant(with_values(car, still), slopes)
    worth, plain_worth = plant.rpm_per_step, plain.rpm_per_step
    steady = worth > 0.0 and plant.is_stable()
    return plant, worth if steady else plain_worth, plain_worth


def _with_spark(rpm: Reals, target_rpm: float, share: float) -> Reals:
    """Settled speeds pulled together or apart by a spark table, to first order."""
    if share == 1.0:
        return rpm
    return np.asarray(np.where(rpm > 0.0, target_rpm + (rpm - target_rpm) * share, 0.0))


def idle_point(
    car: Car, coolant_degC: float = WARM_degC, load_W: float = 0.0, at_rpm: float | None = None
) -> IdlePoint | None:
    """Find the position that a speed needs, and the engine's slopes there.

    The load is above the car's base load; the target at that temperature where no speed is named. None where
    no position between the valve's ends gives that speed.
    """
    target = curve_at(car.curves.target_rpm, coolant_degC) if at_rpm is None else at_rpm
    positions = np.arange(car.valve.travel_steps + 1, dtype=float)
    rpm = settled_rpm(car, positions, coolant_degC, load_W=load_W)
    needed = _position_for(rpm, target)
    if not 0.0 < needed < math.inf:
        return None
    slopes = linearise(car, needed, coolant_degC, load_W=load_W)
    if slopes.speed_rad_s <= 0.0 or slopes.area_per_step_m2 <= 0.0:
        return None
    plant, worth, plain_worth = _plant_and_worth(car, slopes)
    return IdlePoint(
        coolant_degC=coolant_degC, load_W=load_W, target_rpm=target, needed_steps=needed,
        base_steps=curve_at(car.curves.base_steps, coolant_degC),
        rpm=_with_spark(rpm, target, worth / plain_worth),
        opening_mm2=valve_areas_m2(car)[: positions.size] * 1.0e6, slopes=slopes, plant=plant,
        rpm_per_step=worth,
    )  # fmt: skip


def usual_idle(car: Car, coolant_degC: float = WARM_degC, load_W: float = 0.0) -> IdlePoint | None:
    """The idle at the target, or where no position gives that, on the base curve; None if it stalls there."""
    found = idle_point(car, coolant_degC, load_W)
    if found is None:
        base = base_position(car, coolant_degC)
        rpm = float(settled_rpm(car, [base], coolant_degC, load_W=load_W)[0])
        found = idle_point(car, coolant_degC, load_W, rpm) if rpm > 0.0 else None
    return found


def base_position(car: Car, coolant_degC: float = WARM_degC) -> float:
    """Whole position that the base curve gives, from the seat to the open limit [steps]."""
    whole = math.floor(curve_at(car.curves.base_steps, coolant_degC) + 0.5)
    return float(min(max(whole, 0), car.valve.open_limit_steps))


def needed_steps(car: Car, rpm: float, coolant_degC: float, load_W: float = 0.0) -> float:
    """Position up to the open limit at which the engine settles at a speed, also between whole ones.

    Parameters
    ----------
    car, rpm, coolant_degC, load_W : Car, float, float, float
        As for ``idle_point`` [rpm, degC, W].

    Returns
    -------
    float
        Minus infinity where even the seat is too much, infinity where the open limit is too little [steps].
    """
    positions = np.arange(car.valve.open_limit_steps + 1.0)
    return _position_for(settled_rpm(car, positions, coolant_degC, load_W=load_W), rpm)


def _position_for(rpm: Reals, target_rpm: float) -> float:
    """Where settled speeds, a whole position each, first reach one; infinite beyond their ends."""
    rising = np.maximum.accumulate(rpm)
    if rising[0] > target_rpm:
        return -math.inf
    if rising[-1] < target_rpm:
        return math.inf
    above = int(np.argmax(rising >= target_rpm))
    if above == 0 or rising[above - 1] <= 0.0:
        return float(above)
    low, high = rising[above - 1], rising[above]
    return float(above - 1 + (target_rpm - low) / (high - low))


@dataclass(frozen=True)
class EngineFigures:
    """How an engine answers its valve at one position; all 0 where it cannot run."""

    rpm: float
    rpm_per_step: float
    main_pole_rad_s: float  # distance from zero of its slowest pole: the larger, the quicker


def engine_figures(car: Car, steps: float, coolant_degC: float = WARM_degC) -> EngineFigures:
    """Work out how the linear engine of ``idle_point`` answers its valve at a position.

    Parameters
    ----------
    car, steps, coolant_degC : Car, float, float [steps, degC]

    Returns
    -------
    EngineFigures
    """
    slopes = linearise(car, steps, coolant_degC)
    if slopes.speed_rad_s <= 0.0 or slopes.area_per_step_m2 <= 0.0:
        return EngineFigures(0.0, 0.0, 0.0)
    plant, worth, _ = _plant_and_worth(car, slopes)
    return EngineFigures(slopes.rpm, worth, abs(plant.poles()[0]))
