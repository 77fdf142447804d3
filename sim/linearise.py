"""Slopes of the one model at a settled point, by central differences through its own relations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controllers import car_curves, compiled, matrix
from sim.advance import slopes
from sim.air import standard_atmosphere
from sim.batch import Blocks, load_lane
from sim.begin import set_ambient, set_rest, set_valve
from sim.car import Car
from sim.combustion import spark_efficiency
from sim.crank import alternator_target
from sim.firing import RPM_PER_rad_s
from sim.happenings import set_coolant
from sim.prepare import car_row, new_blocks, valve_areas_m2
from sim.records import MOST_CYLINDERS, Tables
from sim.settle import mean_acceleration, settled_speed

MAP_SHARE, SPEED_SHARE, AREA_SHARE = 1.0e-3, 1.0e-3, 1.0e-3
"""Half-widths of the differences as shares of the settled values [-]."""
HALF_STEP = 0.5
"""Half-width of the difference over valve position [steps]."""
HALF_deg = 0.5
"""Half-width of the difference over spark advance [deg]."""


@dataclass(frozen=True)
class Slopes:
    """Where the engine settles with the valve held, and the model's partial derivatives there.

    Torque of the charge is indicated torque at induction, before its delay; resisting torque is friction,
    pumping, accessories and loads, with the alternator's power following speed at once where its limit makes
    it follow.

    Attributes
    ----------
    speed_rad_s : float
        Settled speed, 0 where the engine cannot run: all else is then 0 too [rad/s].
    map_Pa : float
        Manifold pressure [Pa].
    torque_Nm : float
        Indicated torque [Nm].
    opening_m2 : float
        All openings together [m2].
    pressure_rate_per_Pa, pressure_rate_per_rad_s, pressure_rate_per_m2 : float
        Of the pressure's rate by pressure, speed and opening [1/s, Pa/rad, Pa/(s m2)].
    charge_torque_per_Pa, charge_torque_per_rad_s : float
        Of the charge's torque by pressure and speed [Nm/Pa, Nm s/rad].
    resisting_torque_per_Pa, resisting_torque_per_rad_s : float
        Of the resisting torque by pressure and speed [Nm/Pa, Nm s/rad].
    torque_per_spark_deg : float
        Of the charge's torque by spark advance [Nm for each deg, spark in [deg]].
    area_per_step_m2 : float
        Of the opening by valve position [m2].
    """

    speed_rad_s: float
    map_Pa: float
    torque_Nm: float
    opening_m2: float
    pressure_rate_per_Pa: float
    pressure_rate_per_rad_s: float
    pressure_rate_per_m2: float
    charge_torque_per_Pa: float
    charge_torque_per_rad_s: float
    resisting_torque_per_Pa: float
    resisting_torque_per_rad_s: float
    torque_per_spark_deg: float
    area_per_step_m2: float

    @property
    def rpm(self) -> float:
        """Settled speed [rpm]."""
        return self.speed_rad_s * RPM_PER_rad_s


@compiled
def _rates(blocks: Blocks, map_Pa: float, speed: float, out: np.ndarray) -> None:
    """Rate of pressure, torque of the charge and torque against rotation at any state."""
    s = blocks.state[0]
    p = blocks.parameters[0]
    given_W = alternator_target(
        s.load_W[0], speed, p.cut_in_rad_s[0], p.alternator_endless_W[0], p.alternator_max_W[0]
    )
    pressure_rate, _, _, _, air_out, against = slopes(s, p, 0, map_Pa, speed, given_W, False)
    out[0] = pressure_rate
    out[1] = p.work_J_per_kg[0] * s.efficiency[0] * air_out / speed
    out[2] = against


@compiled
def _differentiate(blocks: Blocks, tables: Tables, steps: float, out: np.ndarray) -> None:
    """Write the fields of ``Slopes`` in order; speed and the settled state are there already."""
    s = blocks.state[0]
    p = blocks.parameters[0]
    map_Pa, speed, opening = s.map_Pa[0], out[0], s.opening_m2[0]
    low = np.empty(3)
    high = np.empty(3)
    out[1], out[2], out[3] = map_Pa, s.torque_Nm[0], opening
    width = MAP_SHARE * map_Pa
    _rates(blocks, map_Pa - width, speed, low)
    _rates(blocks, map_Pa + width, speed, high)
    by_map = (high - low) / (2.0 * width)
    width = SPEED_SHARE * speed
    _rates(blocks, map_Pa, speed - width, low)
    _rates(blocks, map_Pa, speed + width, high)
    by_speed = (high - low) / (2.0 * width)
    width = AREA_SHARE * opening
    s.opening_m2[0] = opening - width
    _rates(blocks, map_Pa, speed, low)
    s.opening_m2[0] = opening + width
    _rates(blocks, map_Pa, speed, high)
    out[4], out[5], out[6] = by_map[0], by_speed[0], (high[0] - low[0]) / (2.0 * width)
    out[7], out[8] = by_map[1], by_speed[1]
    out[9], out[10] = by_map[2], by_speed[2]
    base, best, loss = s.spark_wanted_deg[0], p.spark_best_deg[0], p.spark_loss_per_deg2[0]
    gained = spark_efficiency(base + HALF_deg, best, loss)
    gained -= spark_efficiency(base - HALF_deg, best, loss)
    out[11] = s.torque_Nm[0] * gained / (2.0 * HALF_deg * spark_efficiency(base, best, loss))
    here = min(steps, p.travel_steps[0])
    below = max(here - HALF_STEP, 0.0)
    above = min(here + HALF_STEP, p.travel_steps[0])
    set_valve(s, p, 0, tables, below)
    lower = s.opening_m2[0]
    set_valve(s, p, 0, tables, above)
    out[12] = (s.opening_m2[0] - lower) / (above - below)


@compiled
def _prepare(blocks: Blocks, car: np.ndarray, tables: Tables, air: np.ndarray, load_W: float) -> None:
    """Put car, surroundings, coolant and load into the first lane."""
    s = blocks.state[0]
    p = blocks.parameters[0]
    load_lane(blocks.parameters_matrix, 0, car)
    set_ambient(s, p, 0, air[0], air[1])
    set_rest(s, p, 0, air[2])
    s.electrical_W[0] = load_W
    set_coolant(s, p, blocks.memory[0], 0, tables)


@compiled
def _settle_and_differentiate(blocks: Blocks, tables: Tables, steps: float, out: np.ndarray) -> None:
    """Settle the prepared first lane at a position and write the fields of ``Slopes``."""
    s = blocks.state[0]
    p = blocks.parameters[0]
    set_valve(s, p, 0, tables, steps)
    out[:] = 0.0
    out[0] = settled_speed(s, p, 0)
    if out[0] > 0.0:
        mean_acceleration(s, p, 0, out[0])
        _differentiate(blocks, tables, steps, out)


@compiled
def _settle_each(blocks: Blocks, tables: Tables, steps: np.ndarray, speeds: np.ndarray) -> None:
    """Settled speed of the prepared first lane at each position [rad/s]."""
    s = blocks.state[0]
    p = blocks.parameters[0]
    for index in range(len(steps)):
        set_valve(s, p, 0, tables, steps[index])
        speeds[index] = settled_speed(s, p, 0)


def _prepared(
    car: Car, coolant_degC: float, load_W: float, altitude_m: float, ambient_degC: float
) -> tuple[Blocks, Tables]:
    blocks = new_blocks()
    tables = Tables(
        valve_m2=valve_areas_m2(car)[None],
        balance=np.ones((1, MOST_CYLINDERS)),
        curves=car_curves(car.curves)[None],
        events=np.zeros((1, 1, 3)),
    )
    pressure_Pa, _ = standard_atmosphere(altitude_m)
    air = np.array([pressure_Pa, ambient_degC + 273.15, coolant_degC])
    _prepare(blocks, matrix(car_row(car))[0], tables, air, load_W)
    return blocks, tables


def linearise(
    car: Car,
    steps: float,
    coolant_degC: float = 90.0,
    *,
    load_W: float = 0.0,
    altitude_m: float = 0.0,
    ambient_degC: float = 20.0,
) -> Slopes:
    """Differentiate the model where the engine settles with the valve held.

    Gives all zero where the engine cannot run.

    Source: central differences; the relations are those that every run uses. A spark table's slope is left
    out: it is ``torque_per_spark_deg`` times that slope.
    """
    blocks, tables = _prepared(car, coolant_degC, load_W, altitude_m, ambient_degC)
    out = np.zeros(len(Slopes.__dataclass_fields__))
    _settle_and_differentiate(blocks, tables, float(steps), out)
    return Slopes(*(float(value) for value in out))


def settled_rpm(
    car: Car,
    steps: Sequence[float] | np.ndarray,
    coolant_degC: float = 90.0,
    *,
    load_W: float = 0.0,
    altitude_m: float = 0.0,
    ambient_degC: float = 20.0,
) -> np.ndarray:
    """Speed to which the engine settles at each of many valve positions.

    Gives shape of ``steps``, 0 where the engine cannot run [rpm].
    """
    blocks, tables = _prepared(car, coolant_degC, load_W, altitude_m, ambient_degC)
    positions = np.asarray(steps, dtype=float)
    speeds = np.zeros(positions.size)
    _settle_each(blocks, tables, positions.ravel(), speeds)
    return speeds.reshape(positions.shape) * RPM_PER_rad_s
