"""Warming up, the hot part of a log, and the steps (or trim) held at each temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controllers import curve_along, curve_at
from sim import Car
from tuning.log_events.states import Floats, idle_rows, running_rows
from tuning.logs import Log

LEAST_WARMING_degC = 15.0  # A log that warms by less tells no time constant [degC].
HOT_BELOW_END_degC = 2.0  # The hot part: coolant within this of the hottest seen [degC].
HOT_FROM_degC = 70.0
USUAL_END_degC, END_SD_degC = 89.0, 1.5
"""Where a thermostat lets warming end; common practice, no source [degC]."""
BIN_degC = 10.0
HOLDS_rpm = 30.0  # Speed this near its target counts as held [rpm].
LEAST_IN_BIN_s = 5.0


@dataclass(frozen=True)
class WarmUp:
    """How the coolant warms."""

    time_constant_s: float
    from_degC: float
    to_degC: float


@dataclass(frozen=True)
class HotPart:
    """The engine hot and idling."""

    from_s: float
    to_s: float
    mean_rpm: float
    scatter_rpm: float
    mean_map_kPa: float  # nan where it was not recorded


@dataclass(frozen=True)
class HeldSteps:
    """Steps that held the target at one temperature, and their standard deviation [steps]."""

    coolant_degC: float
    steps: float
    base_steps: float
    seconds: float
    spread_steps: float

    @property
    def error_steps(self) -> float:
        """Steps that the base curve is short of, negative where it has too many [steps]."""
        return self.steps - self.base_steps


def warm_up(log: Log, car: Car | None = None) -> WarmUp | None:
    """Fit the approach of the coolant to its end temperature, believed to be the thermostat's.

    Source: first-order approach, least squares. None where coolant was not recorded or hardly warms.
    """
    from scipy.optimize import least_squares

    if log.coolant_degC is None:
        return None
    running = running_rows(log)
    if running.sum() < 10:
        return None
    time_s, coolant = log.time_s[running], log.coolant_degC[running]
    time_s = time_s - time_s[0]
    low, high = float(np.min(coolant)), float(np.max(coolant))
    if high - low < LEAST_WARMING_degC or coolant[-1] < low + 0.5 * (high - low):
        return None
    thin = max(1, time_s.size // 2000)
    at_s, seen = time_s[::thin], coolant[::thin]
    end = USUAL_END_degC if car is None else car.thermal.thermostat_degC
    end = max(end, high)
    weight = 0.3 * np.sqrt(at_s.size) / END_SD_degC

    def error(x: Floats) -> Floats:
        left = x[1] - (x[1] - x[2]) * np.exp(-at_s / x[0]) - seen
        return np.append(left, weight * (x[1] - end))

    found = least_squares(
        error, [250.0, end, low], bounds=([20.0, high - 1.0, low - 10.0], [3000.0, 130.0, high]),
        x_scale=[100.0, 10.0, 10.0],
    )  # fmt: skip
    return WarmUp(float(found.x[0]), low, high)


def hot_part(log: Log) -> HotPart | None:
    """Read the part of a log where the engine is hot; None if coolant was not recorded or did not get hot."""
    if log.coolant_degC is None:
        return None
    idle = idle_rows(log)
    hottest = float(np.max(log.coolant_degC[idle])) if idle.any() else 0.0
    hot = idle & (log.coolant_degC >= hottest - HOT_BELOW_END_degC)
    if hottest < HOT_FROM_degC or hot.sum() < 10:
        return None
    speed = log.rpm[hot]
    pressure = np.nan if log.map_kPa is None else float(np.mean(log.map_kPa[hot]))
    times = log.time_s[hot]
    return HotPart(float(times[0]), float(times[-1]), float(np.mean(speed)), float(np.std(speed)), pressure)


def target_of(log: Log, car: Car | None) -> Floats | None:
    """Target speed at each row [rpm]: the log's own, else the car's at its temperature; None without both."""
    if log.target_rpm is not None and float(np.min(log.target_rpm)) > 200.0:
        return log.target_rpm
    if car is None or log.coolant_degC is None:
        return None
    return curve_along(car.curves.target_rpm, log.coolant_degC)


def held_steps(log: Log, car: Car | None = None) -> list[HeldSteps]:
    """Steps that held the target, by rising temperature, a bin of 10 degC each.

    Empty where steps, coolant or target are not known; the car is for its base curve, and its target where
    the log has none.
    """
    target = target_of(log, car)
    if log.valve_steps is None or log.coolant_degC is None or target is None:
        return []
    spacing = np.gradient(log.time_s)
    window = int(np.clip(2.0 * log.rate_Hz, 1, log.rpm.size))
    smooth = np.convolve(log.rpm, np.ones(window) / window, mode="same")
    held = idle_rows(log) & (np.abs(smooth - target) <= HOLDS_rpm) & ~log.loaded
    number = np.floor(log.coolant_degC / BIN_degC)
    found = []
    for which in np.unique(number[held]):
        at = held & (number == which)
        seconds = float(np.sum(spacing[at]))
        if seconds < LEAST_IN_BIN_s:
            continue
        coolant = float(np.mean(log.coolant_degC[at]))
        base = np.nan if car is None else curve_at(car.curves.base_steps, coolant)
        steps = log.valve_steps[at]
        found.append(HeldSteps(coolant, float(np.mean(steps)), base, seconds, float(np.std(steps))))
    return found
