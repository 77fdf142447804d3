"""Whether logs go with what the car file says for a fact: speed on the base curve, target, travel, pressure.

A fit bends the car until it does what the log does, so a log that holds together passes every other
question, also one of another car, or of a recorder that counts otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from controllers import curve_at
from sim import Car, equilibrium
from sim.air import standard_atmosphere
from sim.linearise import settled_rpm
from tuning.identification.parameters import Floats
from tuning.identification.stretches import Stretch, WARM_degC
from tuning.identification.verdict import FitCheck
from tuning.log_events import idle_rows
from tuning.logs import Log
from tuning.loop import base_position, needed_steps
from tuning.notes import Note

NEAR_TARGET = (0.8, 1.25)
"""Speed on the base curve over the target of a car whose owner drives on that curve (our limits) [-]."""
BASE_OFF_SHARE, BASE_OFF_steps = 0.7, 8.0
"""The position that gives the target is this near the base curve: share of it, or steps (our limits)."""
TARGET_OFF_SHARE = 0.08  # A target that was recorded is this near the car file's (our limit) [-].
PRESSURE_NEAR = (0.6, 1.3)
"""Pressure at idle over that of the car as described: guessed ones of thirty foreign engines gave 0.75 to
1.01, so that what lies between cannot be told [-]."""
STANDING_rpm, STANDING_ROWS = 20.0, 5
"""A speed and a number of rows that tell that the engine stood [rpm, -]."""
STANDING_OFF_SHARE = 0.1
"""Pressure of an engine that stands, beside the standard atmosphere: weather takes 0.04 of it [-]."""
SURE_MOVES_steps = 0.5
SAG_V, SAG_percent = 0.4, 2.0
"""A battery so far below its usual voltage, in so much of the idling, gives what the alternator does not;
leads alone take less (our limits) [V, %]."""


def facts_check(car: Car, described: Car, logs: Sequence[Log], stretches: Sequence[Stretch],
                altitude_m: float) -> FitCheck:  # fmt: skip
    """Ask whether logs go with the facts of the car file; ``car`` is as fitted."""
    coolant = _usual([log.coolant_degC for log in logs], WARM_degC)
    missed = [
        *_target_missed(described, logs, coolant),
        *_base_missed(car, described, coolant),
        *_travel_missed(described, logs),
        *_pressure_missed(described, logs, stretches, (coolant, altitude_m)),
    ]
    if missed:
        return FitCheck("facts", False, Note("identification.facts_missed", missed=tuple(missed)))
    target, pressure = (any(one in log.names for log in logs) for one in ("target_rpm", "map_kPa"))
    compared = {"target": target, "travel": described.valve.travel_counted, "pressure": pressure}
    return FitCheck("facts", True, Note("identification.facts_met", **compared))


def not_to_be_told(logs: Sequence[Log]) -> list[Note]:
    """Tell which errors these logs could hide from every question asked of them."""
    hidden = []
    if all(log.target_rpm is None for log in logs):
        hidden.append(Note("identification.like_car"))
    if any(log.map_kPa is not None for log in logs) and not any(_standing_kPa(log).size for log in logs):
        hidden.append(Note("identification.pressure_scale"))
    if all(log.battery_V is None for log in logs):
        hidden.append(Note("identification.alternator_limit"))
    return [Note("identification.cannot_tell", hidden=tuple(hidden))] if hidden else []


def voltage_sags(log: Log) -> bool:
    """Whether the battery shows that the alternator did not carry all that was switched on."""
    idle = idle_rows(log)
    if log.battery_V is None or not idle.any():
        return False
    low_V, usual_V = np.percentile(log.battery_V[idle], (SAG_percent, 50.0))
    return bool(low_V < usual_V - SAG_V)


def _usual(columns: Sequence[Floats | None], otherwise: float) -> float:
    known = [one for one in columns if one is not None]
    return float(np.clip(np.median(np.concatenate(known)), -40.0, 130.0)) if known else otherwise


def _target_missed(car: Car, logs: Sequence[Log], coolant_degC: float) -> list[Note]:
    target = curve_at(car.curves.target_rpm, coolant_degC)
    known = [log.target_rpm for log in logs if log.target_rpm is not None]
    recorded = float(np.median(np.concatenate(known))) if known else target
    if abs(recorded / target - 1.0) <= TARGET_OFF_SHARE:
        return []
    return [Note("identification.target_missed", recorded_rpm=recorded, target_rpm=target)]


def _base_missed(car: Car, described: Car, coolant_degC: float) -> list[Note]:
    """Speed on the base curve far from the target, or the target far from the base curve."""
    target = curve_at(described.curves.target_rpm, coolant_degC)
    base = base_position(described, coolant_degC)
    speed = float(settled_rpm(car, [base], coolant_degC)[0])
    need = needed_steps(car, target, coolant_degC)
    far = abs(need - base) > max(BASE_OFF_SHARE * base, BASE_OFF_steps)
    if not far and NEAR_TARGET[0] * target <= speed <= NEAR_TARGET[1] * target:
        return []
    told = {"base_steps": base, "speed_rpm": speed, "target_rpm": target}
    if np.isfinite(need):
        return [Note("identification.base_missed", **told, need_steps=need)]
    return [Note("identification.base_never", **told)]


def _travel_missed(car: Car, logs: Sequence[Log]) -> list[Note]:
    """Steps beyond a travel that was counted."""
    most = max(float(np.max(log.valve_steps)) for log in logs if log.valve_steps is not None)
    if not car.valve.travel_counted or most <= car.valve.travel_steps + SURE_MOVES_steps:
        return []
    return [Note("identification.travel_missed", most_steps=most, travel_steps=car.valve.travel_steps)]


def _standing_kPa(log: Log) -> Floats:
    """Manifold pressure in the rows in which the engine stands; empty where there are few."""
    if log.map_kPa is None:
        return np.zeros(0)
    found = log.map_kPa[log.rpm < STANDING_rpm]
    return found if found.size >= STANDING_ROWS else np.zeros(0)


def _pressure_missed(
    car: Car, logs: Sequence[Log], stretches: Sequence[Stretch], place: tuple[float, float]
) -> list[Note]:
    """Pressure far from what friction and work of this engine need, or from the air's with it standing."""
    coolant, altitude_m = place
    missed = []
    air_kPa = standard_atmosphere(altitude_m)[0] / 1000.0
    for standing in map(_standing_kPa, logs):
        if standing.size and abs(float(np.median(standing)) / air_kPa - 1.0) > STANDING_OFF_SHARE:
            at_kPa = float(np.median(standing))
            missed.append(Note("identification.standing_missed", at_kPa=at_kPa, air_kPa=air_kPa))
    if stretches[0].measured.shape[1] < 2:
        return missed
    speed, at_kPa = np.median(np.concatenate([one.measured[one.used] for one in stretches]), axis=0)
    steps = needed_steps(car, float(speed), coolant)
    if not np.isfinite(steps):
        return missed
    needs_kPa = equilibrium(car, steps, coolant, altitude_m=altitude_m)["map_kPa"]
    if not PRESSURE_NEAR[0] * needs_kPa <= at_kPa <= PRESSURE_NEAR[1] * needs_kPa:
        told = {"at_kPa": float(at_kPa), "needs_kPa": needs_kPa, "speed_rpm": float(speed)}
        missed.append(Note("identification.pressure_missed", **told))
    return missed
