"""From files to records: settings, a scenario's row and events, tables; and where a car settles."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from controllers import TICKS_PER_s, car_curves, compiled, matrix, rows
from sim.air import standard_atmosphere
from sim.begin import SCENARIO_FIELDS, set_ambient, set_rest, set_valve
from sim.car import Car
from sim.car_record import car_row, delay_shares, pumping_coefficients, valve_areas_m2
from sim.happenings import SETTABLE, set_coolant
from sim.records import MOST_CYLINDERS, Block, Tables
from sim.runs import Blocks, load_lane, new_blocks
from sim.scenario import Scenario
from sim.sensors import RPM_PER_rad_s
from sim.settle import settled_speed

__all__ = [
    "car_row", "delay_shares", "equilibrium", "new_blocks", "pumping_coefficients",
    "scenario_events", "scenario_row", "stack_tables", "valve_areas_m2",
]  # fmt: skip

FAN_INRUSH, FAN_INRUSH_s = 2.5, 0.5
"""An electric fan draws so many times its power for so long as it runs up [-], [s]."""


def scenario_row(scenario: Scenario) -> Any:
    """Turn a scenario into the record that compiled code reads, one row of ``SCENARIO_FIELDS``."""
    row = rows(SCENARIO_FIELDS, 1)
    pressure_Pa, _ = standard_atmosphere(scenario.altitude_m)
    row["ambient_Pa"] = pressure_Pa
    row["ambient_K"] = scenario.ambient_degC + 273.15
    row["coolant_degC"] = scenario.coolant_degC
    row["duration_ticks"] = round(scenario.duration_s * TICKS_PER_s)
    row["key_on"] = 1.0 if scenario.start == "key_on" else 0.0
    row["warm_up"] = 1.0 if scenario.warm_up else 0.0
    return row


def _rows_of(scenario: Scenario) -> list[tuple[float, float, float]]:
    """Tick, code and value of each event; a fan that starts draws its inrush first."""
    table, fan = [], 0.0
    for event in scenario.event:
        code = float(SETTABLE.index(event.set))
        value = event.number
        if event.set == "fan":
            starts, fan = value > fan, value
            if starts:
                table.append((event.at_s, code, value * FAN_INRUSH))
                if event.at_s + FAN_INRUSH_s < _fan_again_s(scenario, event.at_s):
                    table.append((event.at_s + FAN_INRUSH_s, code, value))
                continue
        table.append((event.at_s, code, value))
    table.sort(key=lambda row: row[0])  # those at the same time stay in order
    return [(float(round(at_s * TICKS_PER_s)), code, value) for at_s, code, value in table]


def _fan_again_s(scenario: Scenario, at_s: float) -> float:
    """When the fan is next switched, or the run ends [s]."""
    later = (one.at_s for one in scenario.event if one.set == "fan" and one.at_s > at_s)
    return min(later, default=scenario.duration_s)


def scenario_events(scenario: Scenario) -> np.ndarray:
    """A scenario's events as rows of tick, code of what is set (-1 the end, which is last) and value.

    An electric fan draws two to three times its power while it runs up (common practice, no source).
    """
    table = _rows_of(scenario)
    table.append((float(round(scenario.duration_s * TICKS_PER_s)), -1.0, 0.0))
    return np.asarray(table)


def stack_tables(cars: Sequence[Car], scenarios: Sequence[Scenario]) -> Tables:
    """Stack the tables of several cars and scenarios for compiled code, events padded with ends."""
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


@compiled
def _load_still(blocks: Blocks, car: np.ndarray, tables: Tables, air: np.ndarray, load_W: float) -> None:
    """Put car, surroundings, coolant and load into the first lane."""
    s = blocks.state[0]
    p = blocks.parameters[0]
    load_lane(blocks.parameters_matrix, 0, car)
    set_ambient(s, p, 0, air[0], air[1])
    set_rest(s, p, 0, air[2])
    s.electrical_W[0] = load_W
    set_coolant(s, p, blocks.memory[0], 0, tables)


@compiled
def _settle(blocks: Blocks, tables: Tables, steps: float) -> float:
    """Speed of the first lane with the valve held at a position [rad/s]."""
    s = blocks.state[0]
    p = blocks.parameters[0]
    set_valve(s, p, 0, tables, steps)
    return settled_speed(s, p, 0)


def own_tables(car: Car, events: np.ndarray) -> Tables:
    """Tables of one car and one row of events, its cylinders all alike."""
    return Tables(
        valve_m2=valve_areas_m2(car)[None],
        balance=np.ones((1, MOST_CYLINDERS)),
        curves=car_curves(car.curves)[None],
        events=events[None],
    )


def held_still(
    car: Car, coolant_degC: float, load_W: float, altitude_m: float, ambient_degC: float
) -> tuple[Blocks, Tables]:
    """A car in the first lane of new blocks, to be settled at valve positions."""
    blocks, tables = new_blocks(), own_tables(car, np.zeros((1, 3)))
    pressure_Pa, _ = standard_atmosphere(altitude_m)
    air = np.array([pressure_Pa, ambient_degC + 273.15, coolant_degC])
    _load_still(blocks, matrix(car_row(car))[0], tables, air, load_W)
    return blocks, tables


def equilibrium(
    car: Car, steps: float, coolant_degC: float = 90.0, *, load_W: float = 0.0,
    altitude_m: float = 0.0, ambient_degC: float = 20.0,
) -> dict[str, float]:  # fmt: skip
    """Where the engine settles with the valve held still.

    Parameters
    ----------
    car, steps, coolant_degC, ambient_degC : Car, float
        The car, and its valve's position from the seat [steps]; temperature of coolant and oil, and of the
        air [degC].
    load_W, altitude_m : float
        Electric load above the car's base load, and geopotential height [W, m].

    Returns
    -------
    dict of str to float: ``rpm`` (0 where it cannot run), ``map_kPa``, ``air_g_s``, ``torque_Nm``
    """
    blocks, tables = held_still(car, coolant_degC, load_W, altitude_m, ambient_degC)
    speed = _settle(blocks, tables, float(steps))
    state: Block = blocks.state[0]
    work = car.engine.work_per_air_kJ_per_kg * 1000.0 * float(state.efficiency[0])
    torque = float(state.torque_Nm[0])
    return {
        "rpm": speed * RPM_PER_rad_s,
        "map_kPa": float(state.map_Pa[0]) / 1000.0,
        "air_g_s": torque * speed / work * 1000.0,
        "torque_Nm": torque,
    }
