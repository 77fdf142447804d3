"""The idle point that an explanation is about: where the valve must stand, and the engine there."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from controllers import curve_at
from sim import Car, with_values
from sim.linearise import Slopes, linearise, settled_rpm
from tuning.loop.delays import Reals
from tuning.loop.linear import IdleJacobian, LinearIdle, RPM_PER_rad_s, linear_idle

WARM_degC = 90.0
"""Coolant of the warm idle that is explained."""


@dataclass(frozen=True, eq=False)
class IdlePoint:
    """A settled idle at the target speed.

    Attributes
    ----------
    coolant_degC, load_W : float
        Coolant temperature, and electric load above the car's own base load [degC, W].
    target_rpm : float
        Speed wanted [rpm].
    needed_steps : float
        Position at which the engine settles at the target, between whole steps too [steps].
    base_steps : float
        Where the base curve puts the valve [steps].
    rpm : numpy.ndarray
        Shape (travel + 1,): settled speed at each whole position [rpm].
    opening_mm2 : numpy.ndarray
        Shape as ``rpm``: the valve's own area [mm2].
    slopes : Slopes
        The model's slopes at the point.
    plant : LinearIdle
        The linear engine there.
    rpm_per_step : float
        Steady rpm a step is worth; where a spark table keeps the engine from holding its speed,
        what it would be without that table [rpm/step].
    """

    coolant_degC: float
    load_W: float
    target_rpm: float
    needed_steps: float
    base_steps: float
    rpm: Reals
    opening_mm2: Reals
    slopes: Slopes
    plant: LinearIdle
    rpm_per_step: float

    @property
    def positions(self) -> Reals:
        """Whole positions from the seat on [steps]."""
        return np.arange(self.rpm.size, dtype=float)

    def rpm_with_leak(self, extra_mm2: float) -> Reals:
        """Settled speed at each whole position with some more air past the throttle.

        Parameters
        ----------
        extra_mm2 : float
            Area more than the car's own, also negative [mm2].

        Returns
        -------
        numpy.ndarray
            Shape of ``rpm`` [rpm].

        Notes
        -----
        Openings in parallel add, so speed is a function of their sum; beyond the travel's ends the
        end value holds.
        """
        return np.asarray(np.interp(self.opening_mm2 + extra_mm2, self.opening_mm2, self.rpm))

    def leak_for(self, shift_steps: float) -> float:
        """Change of the throttle's leak that moves the position needed.

        Parameters
        ----------
        shift_steps : float
            By how much the valve must stand further open [steps].

        Returns
        -------
        float
            Area to add to the leak, negative for a positive shift [mm2].
        """
        at = self.needed_steps + np.array([0.0, shift_steps])
        here, there = np.interp(at, self.positions, self.opening_mm2)
        return float(here - there)


def linear_plant(car: Car, slopes: Slopes) -> LinearIdle:
    """The linear engine from the model's slopes at a settled point.

    Gives departures from that point.

    Notes
    -----
    From charge to torque: the delay in crank angle; the charge is drawn over one firing interval
    and its torque held over one, half of which each is in that angle or in the interval before,
    so half an interval is added.  A spark table that advances by a per rpm below target adds
    torque for the charge just trapped, which then takes the same way.  A reading that keeps a
    share k of the old one at each firing lags by k/(1 - k) intervals.
    Source: ``sim.firing`` and ``sim.prepare.delay_shares``; derivation our own.
    """
    interval_s = 120.0 / slopes.rpm / car.engine.cylinders
    keep = car.sensors.rpm_smoothing
    advance_per_rpm = (
        car.spark.advance_deg_per_100rpm + car.feedback.spark_trim_deg_per_100rpm
    ) / 100.0
    by_spark = slopes.torque_per_spark_deg * advance_per_rpm * RPM_PER_rad_s
    return linear_idle(
        IdleJacobian(
            pressure_rate_per_Pa=slopes.pressure_rate_per_Pa,
            pressure_rate_per_rad_s=slopes.pressure_rate_per_rad_s,
            pressure_rate_per_m2=slopes.pressure_rate_per_m2,
            charge_torque_per_Pa=slopes.charge_torque_per_Pa,
            charge_torque_per_rad_s=slopes.charge_torque_per_rad_s - by_spark,
            resisting_torque_per_rad_s=slopes.resisting_torque_per_rad_s,
            area_per_step_m2=slopes.area_per_step_m2,
            inertia_kg_m2=car.engine.inertia_kg_m2,
            delay_s=car.engine.torque_delay_deg / (6.0 * slopes.rpm) + 0.5 * interval_s,
            firing_interval_s=interval_s,
            sensor_lag_s=interval_s * keep / (1.0 - keep),
            resisting_torque_per_Pa=slopes.resisting_torque_per_Pa,
            spark_torque_per_deg=slopes.torque_per_spark_deg,
            valve_step_s=(car.valve.pulse_ms + car.valve.rest_ms) / 1000.0,
        )
    )


def with_rpm_per_step(plant: LinearIdle, rpm_per_step: float) -> LinearIdle:
    """The same engine with another worth of a step.

    Parameters
    ----------
    plant : LinearIdle
        The engine.
    rpm_per_step : float
        What a step is worth, above 0: over a move of several steps the mean over them, say
        [rpm/step].

    Returns
    -------
    LinearIdle
        All else as it was.
    """
    scaled = plant.B.copy()
    scaled[:, 0] *= rpm_per_step / plant.rpm_per_step
    return replace(plant, B=scaled)


def _with_fixed_spark(car: Car) -> Car:
    """The car with a spark that does not follow speed."""
    changes = {
        "spark": {"advance_deg_per_100rpm": 0.0},
        "feedback": {"spark_trim_deg_per_100rpm": 0.0},
    }
    return with_values(car, changes)


def _with_spark(rpm: Reals, target_rpm: float, share: float) -> Reals:
    """Settled speeds pulled together or apart by a spark table, to first order."""
    if share == 1.0:
        return rpm
    return np.asarray(np.where(rpm > 0.0, target_rpm + (rpm - target_rpm) * share, 0.0))


def idle_point(
    car: Car, coolant_degC: float = WARM_degC, load_W: float = 0.0, at_rpm: float | None = None
) -> IdlePoint | None:
    """Find the position that a speed needs, and the engine's slopes there.

    Parameters
    ----------
    car : Car
        The car.
    coolant_degC : float
        Coolant temperature [degC].
    load_W : float
        Electric load above the car's base load [W].
    at_rpm : float, optional
        Speed; the car's target at that temperature if not given [rpm].

    Returns
    -------
    IdlePoint or None
        None where no position between the valve's ends gives that speed.
    """
    from sim.prepare import valve_areas_m2

    target = curve_at(car.curves.target_rpm, coolant_degC) if at_rpm is None else at_rpm
    positions = np.arange(car.valve.travel_steps + 1, dtype=float)
    rpm = settled_rpm(car, positions, coolant_degC, load_W=load_W)
    rising = np.maximum.accumulate(rpm)
    if not rising[0] < target < rising[-1]:
        return None
    needed = _first_reach(rising, target)
    slopes = linearise(car, needed, coolant_degC, load_W=load_W)
    if slopes.speed_rad_s <= 0.0 or slopes.area_per_step_m2 <= 0.0:
        return None
    plant = plain = linear_plant(car, slopes)
    if car.spark.advance_deg_per_100rpm or car.feedback.spark_trim_deg_per_100rpm:
        plain = linear_plant(_with_fixed_spark(car), slopes)
    worth = plant.rpm_per_step
    if not (worth > 0.0 and plant.is_stable()):
        worth = plain.rpm_per_step
    return IdlePoint(
        coolant_degC=coolant_degC,
        load_W=load_W,
        target_rpm=target,
        needed_steps=needed,
        base_steps=curve_at(car.curves.base_steps, coolant_degC),
        rpm=_with_spark(rpm, target, worth / plain.rpm_per_step),
        opening_mm2=valve_areas_m2(car)[: positions.size] * 1.0e6,
        slopes=slopes,
        plant=plant,
        rpm_per_step=worth,
    )


def _first_reach(rising: NDArray[np.float64], target: float) -> float:
    """Position, between whole ones, at which a rising table first reaches a value."""
    above = int(np.argmax(rising >= target))
    low, high = rising[above - 1], rising[above]
    return float(above - 1 + (target - low) / (high - low))
