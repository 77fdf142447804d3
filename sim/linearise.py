"""Slopes of the one model at a settled point, by central differences through its own relations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controllers import compiled
from sim.begin import set_valve
from sim.car import Car
from sim.combustion import spark_efficiency
from sim.crank import alternator_target
from sim.prepare import held_still
from sim.records import Tables
from sim.runs import Blocks
from sim.sensors import RPM_PER_rad_s
from sim.settle import mean_acceleration, settled_speed
from sim.slopes import slopes

MAP_SHARE, SPEED_SHARE, AREA_SHARE = 1.0e-3, 1.0e-3, 1.0e-3
"""Half-widths of the differences as shares of the settled values [-]."""
HALF_STEP = 0.5  # Half-width of the difference over valve position [steps].
HALF_deg = 0.5  # Half-width of the difference over spark advance [deg].


@dataclass(frozen=True)
class Slopes:
    """Where the engine settles with the valve held, and the model's partial derivatives there.

    Torque of the charge is indicated torque at induction, before its delay; resisting torque is friction,
    pumping, accessories and loads, with the alternator's power following speed at once where its limit makes
    it follow. All is 0 where the engine cannot run.
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


def linearise(
    car: Car, steps: float, coolant_degC: float = 90.0, *, load_W: float = 0.0,
    altitude_m: float = 0.0, ambient_degC: float = 20.0,
) -> Slopes:  # fmt: skip
    """Differentiate the model where the engine settles with the valve held; central differences.

    A spark table's slope is left out: it is ``torque_per_spark_deg`` times that slope.
    """
    blocks, tables = held_still(car, coolant_degC, load_W, altitude_m, ambient_degC)
    out = np.zeros(len(Slopes.__dataclass_fields__))
    _settle_and_differentiate(blocks, tables, float(steps), out)
    return Slopes(*(float(value) for value in out))


def settled_rpm(
    car: Car, steps: Sequence[float] | np.ndarray, coolant_degC: float = 90.0, *,
    load_W: float = 0.0, altitude_m: float = 0.0, ambient_degC: float = 20.0,
) -> np.ndarray:  # fmt: skip
    """Speed to which the engine settles at each of many valve positions, 0 where it cannot run."""
    blocks, tables = held_still(car, coolant_degC, load_W, altitude_m, ambient_degC)
    positions = np.asarray(steps, dtype=float)
    speeds = np.zeros(positions.size)
    _settle_each(blocks, tables, positions.ravel(), speeds)
    return speeds.reshape(positions.shape) * RPM_PER_rad_s
