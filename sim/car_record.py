"""A car's row of numbers: what its file says, in the units and shapes that compiled code reads."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np

from controllers import TICKS_PER_s, rows
from sim import thermal
from sim.air import R_AIR
from sim.car import Car
from sim.crank import friction_torque_per_bar
from sim.friction_limits import OVERSPEED_rpm
from sim.monotone import monotone_cubic
from sim.records import CAR_FIELDS, VALVE_TABLE_STEPS
from sim.sensors import RPM_PER_rad_s

LONGEST_STEP_s = 0.05  # Longest integration step whatever the car [s].
ANGLE_SHARE = 0.6  # Largest product of crank angle step and pumping rate per radian [-].
PUMP_FROM_kPa, PUMP_TO_kPa = 12.0, 105.0
"""Range of manifold pressure over which the pumping polynomial is fitted [kPa]."""
RUNNING_SHARE = 0.6  # A running engine turns at this share of its slowest target or faster; assumed [-].
ABOVE_STALL_rpm, ABOVE_FREE_rpm = 80.0, 30.0
"""A running engine is this far above stalling and the starter's own speed; assumed [rpm]."""
GEARBOX_rpm = 800.0  # Speed at which the car file states the gearbox drag [rpm].


@lru_cache(maxsize=256)
def pumping_coefficients(
    displacement_m3: float, compression_ratio: float, residual_exponent: float, exhaust_Pa: float,
    gas_K: float, fit_kPa: tuple[float, float] = (PUMP_FROM_kPa, PUMP_TO_kPa),
) -> np.ndarray:  # fmt: skip
    """Cubic over pressure for the air ideal cylinders draw [kg/rad, kg/(rad Pa), kg/(rad Pa2), kg/(rad Pa3)].

    The residual gas left in the clearance volume expands before fresh air enters. The exact law has a
    fractional power; a cubic is within 0.3 % of it and costs a tenth. Results are kept, as a fit asks for the
    same ones thousands of times, and not to be written to.
    Source: Guzzella and Onder, engine mass flow: lambda_p = (Vc + Vd)/Vd - Vc/Vd (p_exhaust / p)^(1/kappa).
    """
    clearance = 1.0 / (compression_ratio - 1.0)
    low, high = (1000.0 * end for end in fit_kPa)
    pressures = 0.5 * (low + high) - 0.5 * (high - low) * np.cos(np.linspace(0.0, math.pi, 200))
    filled = (1.0 + clearance) - clearance * (exhaust_Pa / pressures) ** (1.0 / residual_exponent)
    per_rad = displacement_m3 / (4.0 * math.pi * R_AIR * gas_K)
    fitted = np.polynomial.Polynomial.fit(pressures, pressures * filled, 3, w=1.0 / pressures)
    coefficients = np.asarray(fitted.convert().coef, dtype=np.float64) * per_rad
    coefficients.setflags(write=False)
    return coefficients


def delay_shares(delay_deg: float, cylinders: int) -> np.ndarray:
    """Shares of the last four charges in the torque between two firings, adding up to 1 [-].

    The torque of a charge acts, on average, ``delay_deg`` (180 to 360) of crank angle after induction; the
    interval that begins at a firing is centred half an interval later, so the two charges whose centres lie
    on either side share it.
    """
    intervals = delay_deg / (720.0 / cylinders) - 0.5
    intervals = min(max(intervals, 0.0), 3.0)
    whole = min(int(intervals), 2)
    part = intervals - whole
    shares = np.zeros(4)
    shares[whole] = 1.0 - part
    shares[whole + 1] = part
    return shares


def valve_areas_m2(car: Car) -> np.ndarray:
    """Valve area at each whole step, by monotone cubics through the file's points, held beyond the last."""
    points = np.asarray(car.valve.area_mm2, dtype=float)
    steps = np.minimum(np.arange(VALVE_TABLE_STEPS, dtype=float), points[-1, 0])
    return monotone_cubic(points, steps) * 1.0e-6


def _as_given(row: Any, table: Any, *names: str) -> None:
    """Copy what the car file and the record name alike."""
    for name in names:
        row[name] = getattr(table, name)


def _engine_fields(car: Car, row: Any) -> None:
    engine = car.engine
    displacement_m3 = engine.displacement_cm3 * 1.0e-6
    gas_K = car.manifold.air_degC + 273.15
    exhaust_Pa = (engine.exhaust_kPa or 101.325) * 1000.0
    pump = pumping_coefficients(
        displacement_m3, engine.compression_ratio, engine.residual_exponent, exhaust_Pa, gas_K
    )
    for name, value in zip(("pump0", "pump1", "pump2", "pump3"), pump, strict=True):
        row[name] = row[f"warm_{name}"] = value
    row["warm_gas_K"] = gas_K
    row["gas_Pa_per_kg"] = R_AIR * gas_K / (car.manifold.volume_cm3 * 1.0e-6)
    row["warm_gas_Pa_per_kg"] = row["gas_Pa_per_kg"]
    row["fill0"] = engine.volumetric_efficiency
    row["fill1"] = engine.volumetric_efficiency_per_1000rpm * RPM_PER_rad_s / 1000.0
    row["inverse_inertia"] = 1.0 / engine.inertia_kg_m2
    row["exhaust_Pa"] = (engine.exhaust_kPa or 0.0) * 1000.0
    row["pumping_m3_per_rad"] = 0.0 if engine.pumping_in_friction else displacement_m3 / (4.0 * math.pi)
    per_bar = friction_torque_per_bar(displacement_m3) * engine.friction_scale
    for power, name in enumerate(("friction0", "friction1", "friction2")):
        row[name] = per_bar * engine.friction_bar[power] * (RPM_PER_rad_s / 1000.0) ** power
    row["work_J_per_kg"] = engine.work_per_air_kJ_per_kg * 1000.0
    shares = delay_shares(engine.torque_delay_deg, engine.cylinders)
    for name, value in zip(("delay0", "delay1", "delay2", "delay3"), shares, strict=True):
        row[name] = value
    row["firing_rad"] = 4.0 * math.pi / engine.cylinders
    row["firings_per_rad"] = engine.cylinders / (4.0 * math.pi)
    _as_given(row, engine, "cylinders", "scatter_share", "scatter_memory")
    row["scatter_fresh"] = math.sqrt(1.0 - engine.scatter_memory**2)
    row["stall_rad_s"] = engine.stall_rpm / RPM_PER_rad_s
    row["overspeed_rad_s"] = OVERSPEED_rpm / RPM_PER_rad_s
    slope_per_rad = row["gas_Pa_per_kg"] * (pump[1] + 2.0 * pump[2] * 1.0e5) * row["fill0"]
    row["angle_cap_rad"] = np.maximum(ANGLE_SHARE / np.maximum(slope_per_rad, 1.0e-3), 0.05)
    row["step_cap_ticks"] = TICKS_PER_s * min(LONGEST_STEP_s, 0.5 * car.electrics.lag_s)


def _burning_fields(car: Car, row: Any) -> None:
    row["spark_base_deg"] = car.spark.base_deg
    row["spark_best_deg"] = car.spark.best_deg
    row["spark_loss_per_deg2"] = car.spark.loss_per_deg2
    row["advance_deg_per_rpm"] = car.spark.advance_deg_per_rpm
    _as_given(row, car.mixture, "lambda_base", "lambda_best", "wall_share", "wall_s", "fuelling_lag_s")
    cold_deg, cold_lambda = car.spark.cold_deg, car.mixture.lambda_cold
    row["spark_cold_deg"] = 0.0 if cold_deg is None else cold_deg - car.spark.base_deg
    row["lambda_cold"] = 0.0 if cold_lambda is None else cold_lambda - car.mixture.lambda_base
    row["mixture_loss"] = car.mixture.loss


def _load_fields(car: Car, row: Any) -> None:
    electrics = car.electrics
    cut_in = electrics.cut_in_rpm / RPM_PER_rad_s
    full = electrics.full_rpm / RPM_PER_rad_s
    _as_given(row, electrics, "base_W", "regulated_V", "battery_ohm", "alternator_max_W")
    row["cut_in_rad_s"] = cut_in
    row["alternator_endless_W"] = electrics.alternator_max_W / (1.0 - cut_in / full)
    row["inverse_efficiency"] = 1.0 / electrics.efficiency
    row["inverse_lag_per_s"] = 1.0 / electrics.lag_s
    _as_given(row, car.loads, "lamps_W", "fan_W", "screen_W", "steering_Nm")
    _as_given(row, car.loads, "aircon_Nm", "gearbox_Nm", "clutch_Nm")
    row["gearbox_rad_s"] = GEARBOX_rpm / RPM_PER_rad_s


def _valve_fields(car: Car, row: Any) -> None:
    valve = car.valve
    row["leak_m2"] = car.throttle.leak_mm2 * 1.0e-6
    row["open_m2"] = car.throttle.open_mm2 * 1.0e-6
    _as_given(row, valve, "travel_steps", "open_limit_steps", "homing_steps", "backlash_steps")
    row["direction"] = -1.0 if valve.wired_reversed else 1.0
    row["series_m2"] = math.inf if valve.series_mm2 is None else valve.series_mm2 * 1.0e-6
    row["step_ticks"] = round(valve.step_ms * 1.0e-3 * TICKS_PER_s)
    row["pulse_s"] = valve.pulse_ms * 1.0e-3
    row["pull_in_s"] = valve.pull_in_ms * 1.0e-3
    row["rpm_keep"] = car.sensors.rpm_smoothing
    row["rpm_resolution"] = car.sensors.rpm_resolution_rpm
    row["rpm_noise"] = car.sensors.rpm_noise_rpm
    row["inverse_map_lag_per_s"] = 1.0 / car.sensors.map_lag_s
    row["coolant_lag_s"] = car.sensors.coolant_lag_s
    row["senses_oil"] = 1.0 if car.sensors.temperature_of == "oil" else 0.0


def _starting_fields(car: Car, row: Any) -> None:
    starter = car.starter
    free_rad_s = starter.free_rpm / RPM_PER_rad_s
    row["starter_Nm"] = starter.stall_torque_Nm
    row["starter_Nms"] = starter.stall_torque_Nm / free_rad_s
    row["resting_V"] = starter.resting_V
    row["sag_V_per_Nm"] = starter.sag_V_per_Nm
    slowest_rpm = min(speed for _, speed in car.curves.target_rpm)
    above_rpm = max(
        car.engine.stall_rpm + ABOVE_STALL_rpm, starter.free_rpm + ABOVE_FREE_rpm, RUNNING_SHARE * slowest_rpm
    )
    row["start_rad_s"] = min(above_rpm, slowest_rpm - ABOVE_FREE_rpm) / RPM_PER_rad_s


def _thermal_fields(car: Car, row: Any) -> None:
    heat = car.thermal
    oil_a, oil_b = thermal.oil_constants(heat.oil_grade)
    row["oil_a"], row["oil_b"] = oil_a, oil_b
    row["oil_warm_mm2_s"] = thermal.oil_viscosity_mm2_s(thermal.WARM_degC, oil_a, oil_b)
    row["rubbing_share"] = thermal.RUBBING_SHARE if car.engine.pumping_in_friction else 1.0
    row["coolant_J_per_K"] = heat.heat_capacity_kJ_per_K * 1000.0
    row["oil_J_per_K"] = heat.oil_capacity_kJ_per_K * 1000.0
    row["loss_W_per_K"] = heat.loss_W_per_K
    row["thermostat_degC"] = heat.thermostat_degC
    row["air_cooled"] = 1.0 if heat.cooling == "air" else 0.0
    row["oil_loss_share"] = thermal.OIL_LOSS_SHARE[heat.cooling]
    fuel_per_air = 1.0 / (thermal.AIR_TO_FUEL * max(car.mixture.lambda_base, 1.0))
    row["heat_J_per_kg"] = heat.heat_share_to_coolant * thermal.HEATING_VALUE_J_PER_kg * fuel_per_air


def car_row(car: Car) -> Any:
    """Turn a car into the record that compiled code reads, one row of ``CAR_FIELDS``."""
    row = rows(CAR_FIELDS, 1)
    _engine_fields(car, row)
    _burning_fields(car, row)
    _load_fields(car, row)
    _valve_fields(car, row)
    _starting_fields(car, row)
    _thermal_fields(car, row)
    return row
