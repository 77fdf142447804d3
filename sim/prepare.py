"""From files to records: a car's row of numbers and tables, a scenario's row and events."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from controllers import (
    MEMORY_FIELDS,
    SETTINGS_FIELDS,
    TICKS_PER_s,
    block_dtype,
    car_curves,
    compiled,
    controller_row,
    matrix,
    rows,
)
from sim.air import R_AIR, standard_atmosphere
from sim.batch import LANES, Blocks, Plan, load_lane
from sim.begin import SCENARIO_FIELDS, set_ambient, set_rest, set_valve, settled_speed
from sim.car import Car
from sim.crank import friction_torque_per_bar
from sim.firing import RPM_PER_rad_s
from sim.happenings import SETTABLE, set_coolant
from sim.records import (
    CAR_FIELDS,
    MOST_CYLINDERS,
    RUN_FIELDS,
    STATE_FIELDS,
    VALVE_TABLE_STEPS,
    Block,
    Tables,
)
from sim.scenario import Scenario

LONGEST_STEP_s = 0.05
"""Longest integration step whatever the car [s]."""
ANGLE_SHARE = 0.6
"""Largest product of crank angle step and pumping rate per radian [-]."""
PUMP_FROM_kPa, PUMP_TO_kPa = 12.0, 105.0
"""Range of manifold pressure over which the pumping polynomial is fitted [kPa]."""
GEARBOX_rpm = 800.0
"""Speed at which the car file states the gearbox drag [rpm]."""


def pumping_coefficients(
    displacement_m3: float,
    compression_ratio: float,
    residual_exponent: float,
    exhaust_Pa: float,
    gas_K: float,
    fit_kPa: tuple[float, float] = (PUMP_FROM_kPa, PUMP_TO_kPa),
) -> np.ndarray:
    """Cubic over pressure for the air that ideal cylinders draw per radian.

    The residual gas left in the clearance volume expands before fresh air enters.  The
    exact law has a fractional power; a cubic is within 0.3 % of it and costs a tenth.

    Parameters
    ----------
    displacement_m3 : float
        All cylinders [m3].
    compression_ratio : float
        Above 1 [-].
    residual_exponent : float
        Polytropic exponent of the residual gas, 1 to 1.5 [-].
    exhaust_Pa : float
        Exhaust back pressure [Pa].
    gas_K : float
        Temperature of the gas in the manifold [K].
    fit_kPa : tuple of float
        Range of manifold pressure to fit [kPa].

    Returns
    -------
    numpy.ndarray
        Four coefficients, ascending [kg/rad, kg/(rad Pa), kg/(rad Pa2), kg/(rad Pa3)].

    Notes
    -----
    Source: Guzzella and Onder, engine mass flow: lambda_p = (Vc + Vd)/Vd -
    Vc/Vd (p_exhaust / p)^(1/kappa).
    """
    clearance = 1.0 / (compression_ratio - 1.0)
    low, high = (1000.0 * end for end in fit_kPa)
    pressures = 0.5 * (low + high) - 0.5 * (high - low) * np.cos(np.linspace(0.0, math.pi, 200))
    filled = (1.0 + clearance) - clearance * (exhaust_Pa / pressures) ** (1.0 / residual_exponent)
    per_rad = displacement_m3 / (4.0 * math.pi * R_AIR * gas_K)
    fitted = np.polynomial.Polynomial.fit(pressures, pressures * filled, 3)
    return np.asarray(fitted.convert().coef) * per_rad


def delay_shares(delay_deg: float, cylinders: int) -> np.ndarray:
    """Shares of the last four charges in the torque between two firings.

    The torque of a charge acts, on average, ``delay_deg`` of crank angle after induction;
    the interval that begins at a firing is centred half an interval later, so a share is
    given to the two charges whose centres lie on either side.

    Parameters
    ----------
    delay_deg : float
        Crank angle from induction to the middle of the torque [deg].
    cylinders : int
        Number of cylinders.

    Returns
    -------
    numpy.ndarray
        Four shares that add up to 1 [-].

    Notes
    -----
    Source: delay of 180 to 360 degrees of crank; linear interpolation between firings.
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
    """Valve area at each whole step, by monotone cubic interpolation of the file's points.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    numpy.ndarray
        Shape (VALVE_TABLE_STEPS,), held flat beyond the last point [m2].

    Notes
    -----
    Source: Fritsch and Carlson (1980), by scipy's ``PchipInterpolator``.
    """
    from scipy.interpolate import PchipInterpolator

    points = np.asarray(car.valve.area_mm2, dtype=float)
    steps = np.minimum(np.arange(VALVE_TABLE_STEPS, dtype=float), points[-1, 0])
    return np.asarray(PchipInterpolator(points[:, 0], points[:, 1])(steps)) * 1.0e-6


def _engine_fields(car: Car, row: Any) -> None:
    engine = car.engine
    displacement_m3 = engine.displacement_cm3 * 1.0e-6
    gas_K = car.manifold.air_degC + 273.15
    exhaust_Pa = (engine.exhaust_kPa or 101.325) * 1000.0
    pump = pumping_coefficients(
        displacement_m3, engine.compression_ratio, engine.residual_exponent, exhaust_Pa, gas_K
    )
    for name, value in zip(("pump0", "pump1", "pump2", "pump3"), pump, strict=True):
        row[name] = value
    row["gas_Pa_per_kg"] = R_AIR * gas_K / (car.manifold.volume_cm3 * 1.0e-6)
    row["fill0"] = engine.volumetric_efficiency
    row["fill1"] = engine.volumetric_efficiency_per_1000rpm * RPM_PER_rad_s / 1000.0
    row["inverse_inertia"] = 1.0 / engine.inertia_kg_m2
    row["exhaust_Pa"] = (engine.exhaust_kPa or 0.0) * 1000.0
    row["pumping_m3_per_rad"] = (
        0.0 if engine.pumping_in_friction else displacement_m3 / (4.0 * math.pi)
    )
    per_bar = friction_torque_per_bar(displacement_m3) * engine.friction_scale
    for power, name in enumerate(("friction0", "friction1", "friction2")):
        row[name] = per_bar * engine.friction_bar[power] * (RPM_PER_rad_s / 1000.0) ** power
    row["work_J_per_kg"] = engine.work_per_air_kJ_per_kg * 1000.0
    shares = delay_shares(engine.torque_delay_deg, engine.cylinders)
    for name, value in zip(("delay0", "delay1", "delay2", "delay3"), shares, strict=True):
        row[name] = value
    row["firing_rad"] = 4.0 * math.pi / engine.cylinders
    row["firings_per_rad"] = engine.cylinders / (4.0 * math.pi)
    row["cylinders"] = engine.cylinders
    row["scatter_share"] = engine.scatter_share
    row["scatter_memory"] = engine.scatter_memory
    row["scatter_fresh"] = math.sqrt(1.0 - engine.scatter_memory**2)
    row["stall_rad_s"] = engine.stall_rpm / RPM_PER_rad_s
    slope_per_rad = row["gas_Pa_per_kg"] * (pump[1] + 2.0 * pump[2] * 1.0e5) * row["fill0"]
    row["angle_cap_rad"] = np.maximum(ANGLE_SHARE / np.maximum(slope_per_rad, 1.0e-3), 0.05)
    row["step_cap_ticks"] = TICKS_PER_s * min(LONGEST_STEP_s, 0.5 * car.electrics.lag_s)


def _burning_fields(car: Car, row: Any) -> None:
    row["spark_base_deg"] = car.spark.base_deg
    row["spark_best_deg"] = car.spark.best_deg
    row["spark_loss_per_deg2"] = car.spark.loss_per_deg2
    row["advance_deg_per_rpm"] = car.spark.advance_deg_per_100rpm / 100.0
    row["lambda_base"] = car.mixture.lambda_base
    row["lambda_best"] = car.mixture.lambda_best
    row["mixture_loss"] = car.mixture.loss
    row["wall_share"] = car.mixture.wall_share
    row["wall_s"] = car.mixture.wall_s
    row["fuelling_lag_s"] = car.mixture.fuelling_lag_s


def _load_fields(car: Car, row: Any) -> None:
    electrics = car.electrics
    cut_in = electrics.cut_in_rpm / RPM_PER_rad_s
    full = electrics.full_rpm / RPM_PER_rad_s
    row["base_W"] = electrics.base_W
    row["regulated_V"] = electrics.regulated_V
    row["battery_ohm"] = electrics.battery_ohm
    row["alternator_max_W"] = electrics.alternator_max_W
    row["cut_in_rad_s"] = cut_in
    row["rise_W_s_per_rad"] = electrics.alternator_max_W / (full - cut_in)
    row["inverse_efficiency"] = 1.0 / electrics.efficiency
    row["inverse_lag_per_s"] = 1.0 / electrics.lag_s
    for name in ("lamps_W", "fan_W", "screen_W"):
        row[name] = getattr(car.loads, name)
    for name in ("steering_Nm", "aircon_Nm", "gearbox_Nm", "clutch_Nm"):
        row[name] = getattr(car.loads, name)
    row["gearbox_rad_s"] = GEARBOX_rpm / RPM_PER_rad_s


def _valve_fields(car: Car, row: Any) -> None:
    valve = car.valve
    row["leak_m2"] = car.throttle.leak_mm2 * 1.0e-6
    row["open_m2"] = car.throttle.open_mm2 * 1.0e-6
    row["travel_steps"] = valve.travel_steps
    row["open_limit_steps"] = valve.open_limit_steps
    row["homing_steps"] = valve.homing_steps
    row["backlash_steps"] = valve.backlash_steps
    row["direction"] = -1.0 if valve.wired_reversed else 1.0
    row["series_m2"] = math.inf if valve.series_mm2 is None else valve.series_mm2 * 1.0e-6
    row["step_ticks"] = round((valve.pulse_ms + valve.rest_ms) * 1.0e-3 * TICKS_PER_s)
    row["pulse_s"] = valve.pulse_ms * 1.0e-3
    row["pull_in_s"] = valve.pull_in_ms * 1.0e-3
    row["rpm_keep"] = car.sensors.rpm_smoothing
    row["rpm_resolution"] = car.sensors.rpm_resolution_rpm
    row["rpm_noise"] = car.sensors.rpm_noise_rpm
    row["inverse_map_lag_per_s"] = 1.0 / car.sensors.map_lag_s
    row["coolant_lag_s"] = car.sensors.coolant_lag_s


def car_row(car: Car) -> Any:
    """Turn a car into the record that compiled code reads.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    numpy.ndarray
        One row of ``CAR_FIELDS``.
    """
    row = rows(CAR_FIELDS, 1)
    _engine_fields(car, row)
    _burning_fields(car, row)
    _load_fields(car, row)
    _valve_fields(car, row)
    return row


def settings_row(car: Car) -> Any:
    """Turn a car's feedback settings into the record that compiled code reads.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    numpy.ndarray
        One row of the controller's settings.
    """
    return controller_row(
        car.feedback, car.curves.after_start_fade_s, float(car.valve.open_limit_steps)
    )


def scenario_row(scenario: Scenario) -> Any:
    """Turn a scenario into the record that compiled code reads.

    Parameters
    ----------
    scenario : Scenario
        The scenario.

    Returns
    -------
    numpy.ndarray
        One row of ``SCENARIO_FIELDS``.
    """
    row = rows(SCENARIO_FIELDS, 1)
    pressure_Pa, _ = standard_atmosphere(scenario.altitude_m)
    row["ambient_Pa"] = pressure_Pa
    row["ambient_K"] = scenario.ambient_degC + 273.15
    row["coolant_degC"] = scenario.coolant_degC
    row["duration_ticks"] = round(scenario.duration_s * TICKS_PER_s)
    row["key_on"] = 1.0 if scenario.start == "key_on" else 0.0
    return row


def scenario_events(scenario: Scenario) -> np.ndarray:
    """Turn a scenario's events into rows for compiled code, the end last.

    Parameters
    ----------
    scenario : Scenario
        The scenario; its events are in order of time.

    Returns
    -------
    numpy.ndarray
        Shape (events + 1, 3): tick, code of what is set (-1 the end), value.
    """
    table = [
        (float(round(event.at_s * TICKS_PER_s)), float(SETTABLE.index(event.set)), event.number)
        for event in scenario.event
    ]
    table.append((float(round(scenario.duration_s * TICKS_PER_s)), -1.0, 0.0))
    return np.asarray(table)


def stack_tables(cars: Sequence[Car], scenarios: Sequence[Scenario]) -> Tables:
    """Stack the tables of several cars and scenarios for compiled code.

    Parameters
    ----------
    cars : sequence of Car
        The cars.
    scenarios : sequence of Scenario
        The scenarios.

    Returns
    -------
    Tables
        See there; events are padded with ends.
    """
    balance = np.ones((len(cars), MOST_CYLINDERS))
    for index, car in enumerate(cars):
        balance[index, : car.engine.cylinders] = car.engine.cylinder_balance
    lists = [scenario_events(scenario) for scenario in scenarios]
    longest = max(len(table) for table in lists) + 1
    events = np.stack(
        [np.vstack([table, np.repeat(table[-1:], longest - len(table), axis=0)]) for table in lists]
    )
    return Tables(
        valve_m2=np.stack([valve_areas_m2(car) for car in cars]),
        balance=balance,
        curves=np.stack([car_curves(car.curves) for car in cars]),
        events=events,
    )


def new_blocks() -> Blocks:
    """Make the working memory of one thread; a single run uses its first lane.

    Returns
    -------
    Blocks
        Blocks of zeros, each also as a matrix over the same memory.
    """
    arrays = [
        np.zeros(1, dtype=block_dtype(fields, LANES))
        for fields in (STATE_FIELDS, RUN_FIELDS, SETTINGS_FIELDS, MEMORY_FIELDS)
    ]
    matrices = [array.view(np.float64).reshape(-1, LANES) for array in arrays]
    return Blocks(*arrays, *matrices)


@compiled
def _settle(
    blocks: Blocks,
    car: np.ndarray,
    tables: Tables,
    ambient_Pa: float,
    ambient_K: float,
    coolant_degC: float,
    steps: float,
    load_W: float,
) -> float:
    s = blocks.state[0]
    p = blocks.parameters[0]
    load_lane(blocks.parameters_matrix, 0, car)
    set_ambient(s, p, 0, ambient_Pa, ambient_K)
    set_rest(s, p, 0, coolant_degC)
    s.electrical_W[0] = load_W
    set_coolant(s, p, blocks.memory[0], 0, tables)
    set_valve(s, p, 0, tables, steps)
    return settled_speed(s, p, 0)


def equilibrium(
    car: Car,
    steps: float,
    coolant_degC: float = 90.0,
    *,
    load_W: float = 0.0,
    altitude_m: float = 0.0,
    ambient_degC: float = 20.0,
) -> dict[str, float]:
    """Where the engine settles with the valve held still.

    Parameters
    ----------
    car : Car
        The car.
    steps : float
        Valve position from the seat [steps].
    coolant_degC : float
        Coolant (and oil) temperature [degC].
    load_W : float
        Electric load above the car's base load [W].
    altitude_m : float
        Geopotential height [m].
    ambient_degC : float
        Air temperature [degC].

    Returns
    -------
    dict of str to float
        ``rpm`` (0 where it cannot run), ``map_kPa``, ``air_g_s``, ``torque_Nm``.
    """
    blocks = new_blocks()
    tables = Tables(
        valve_m2=valve_areas_m2(car)[None],
        balance=np.ones((1, MOST_CYLINDERS)),
        curves=car_curves(car.curves)[None],
        events=np.zeros((1, 1, 3)),
    )
    pressure_Pa, _ = standard_atmosphere(altitude_m)
    speed = _settle(
        blocks,
        matrix(car_row(car))[0],
        tables,
        pressure_Pa,
        ambient_degC + 273.15,
        coolant_degC,
        float(steps),
        load_W,
    )
    state: Block = blocks.state[0]
    work = car.engine.work_per_air_kJ_per_kg * 1000.0 * float(state.efficiency[0])
    torque = float(state.torque_Nm[0])
    return {
        "rpm": speed * RPM_PER_rad_s,
        "map_kPa": float(state.map_Pa[0]) / 1000.0,
        "air_g_s": torque * speed / work * 1000.0,
        "torque_Nm": torque,
    }
