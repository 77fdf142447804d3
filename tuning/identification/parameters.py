"""What a fit may change in a car, by how much it is believed to be off, and how it is changed.

Every parameter is a number that is 0 where the car file is right.  Most are logarithms of
factors.  Beliefs are standard deviations: what a log does not tell stays near the file's value.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim import Car
from sim.friction_limits import least_rise_bar
from sim.monotone import monotone_cubic

Floats = NDArray[np.float64]

SCALE_SD, SHAPE_SD = 0.35, 0.35
"""Belief about the valve's area a step: common factor, and departures from it [log]."""
LENGTH_SHARE, SHORTEST_LENGTH_steps = 0.05, 5.0
"""Departures of the valve's curve are alike within this share of its travel: a guessed curve may bend
sharply about the base, where the log has been [-, steps]."""
FLATTEST_SHARE = 0.03
"""Least area a step adds, over the mean, so that a flat stretch of the file can be mended [-]."""
MOST_KNOTS = 5


def alike_within_steps(travel_steps: float) -> float:
    """How far apart departures of the valve's curve are still alike [steps]."""
    return max(SHORTEST_LENGTH_steps, LENGTH_SHARE * travel_steps)


@lru_cache(maxsize=32)
def _rise_mm2(points: tuple[tuple[float, float], ...], alike_steps: float) -> tuple[float, Floats]:
    """Area at the seat and what each step adds, with a least rise; bends are made as wide as is believed."""
    # A guessed curve bends where its base curve ends, as no valve does.
    from scipy.ndimage import gaussian_filter1d

    table = np.asarray(points, dtype=float)
    last = int(table[-1, 0])
    area = monotone_cubic(table, np.arange(last + 1.0))
    rise = np.maximum(np.diff(area), FLATTEST_SHARE * (area[-1] - area[0]) / max(last, 1))
    return float(area[0]), np.exp(gaussian_filter1d(np.log(rise), alike_steps, mode="nearest"))


def adjusted_area(car: Car, knots: Floats, adjust: Floats) -> tuple[tuple[float, float], ...]:
    """Valve table, never falling, with the area that each step adds multiplied by a smooth factor [mm2].

    Source: our own; a table of areas that never fall stays one whatever the factors.
    """
    seat_mm2, rise = _rise_mm2(car.valve.area_mm2, alike_within_steps(float(car.valve.travel_steps)))
    last = rise.size
    changed = np.full(last + 1, seat_mm2)
    changed[1:] += np.cumsum(rise * np.exp(np.interp(np.arange(last) + 0.5, knots, adjust)))
    points = np.floor([step for step, _ in car.valve.area_mm2])
    at = np.unique(np.concatenate([points, np.rint(knots)]))
    at = at[at <= last]
    return tuple((float(step), float(changed[int(step)])) for step in at)


def valve_knots(visited: Floats, open_limit_steps: float) -> Floats:
    """Positions at which the valve's curve is adjusted: where the log has been, and the ends [steps]."""
    low, high = float(np.min(visited)), float(np.max(visited))
    count = int(np.clip(np.unique(visited).size - 1, 1, MOST_KNOTS))
    inside = np.linspace(low, high, count) if count > 1 else np.array([0.5 * (low + high)])
    outside = [end for end in (0.0, open_limit_steps) if not low - 4.0 < end < high + 4.0]
    return np.unique(np.rint(np.concatenate([inside, outside])))


def knot_covariance(knots: Floats, travel_steps: float) -> Floats:
    """Belief about the adjustments, logarithms: a common factor, and departures alike near each other [-].

    Source: Gaussian process with a squared exponential covariance, Rasmussen and Williams, Gaussian
    Processes for Machine Learning (2006), ch. 4.
    """
    apart = (knots[:, None] - knots[None, :]) / alike_within_steps(travel_steps)
    alike = SHAPE_SD**2 * np.exp(-0.5 * apart**2)
    return np.asarray(SCALE_SD**2 + alike + 1.0e-6 * np.eye(knots.size))


LOAD_SD = 0.8  # Belief about the size of a load that was not recorded, about a guess [log].


@dataclass(frozen=True)
class Parameter:
    """One number a fit may change."""

    name: str  # table and key of the car file, and what about it
    table: str  # where it is written; empty for what is not in a car file
    key: str
    sd: float  # belief: standard deviation of the departure from the car file [log or ``unit``]
    low: float  # limits of the departure
    high: float
    unit: str = ""  # empty for a factor (the departure is its logarithm), else the unit of what is added


@dataclass(frozen=True)
class Parameters:
    """All that a fit may change in one car."""

    car: Car  # the car as described
    each: tuple[Parameter, ...]  # in the order of a vector of departures
    knots: Floats  # positions at which the valve's area per step is adjusted [steps]
    pivot_rpm: float  # speed at which a change of friction's slope leaves friction as it is
    precision_root: Floats = field(repr=False)  # of the prior; times the departures it is standard normal

    @property
    def names(self) -> tuple[str, ...]:
        """Names in order."""
        return tuple(one.name for one in self.each)

    @property
    def prior_sd(self) -> Floats:
        """Standard deviations believed before the log, in order [any]."""
        covariance = np.linalg.inv(self.precision_root.T @ self.precision_root)
        return np.sqrt(np.diag(covariance))

    def limits(self) -> tuple[Floats, Floats]:
        """Lowest and highest departures, in order."""
        return np.array([one.low for one in self.each]), np.array([one.high for one in self.each])

    def loads(self, departures: Floats) -> Floats:
        """Departures of the loads whose size is not known: logarithms of their sizes over the guess [-]."""
        return np.asarray(departures[[i for i, one in enumerate(self.each) if not one.table]])

    def car_with(self, departures: Floats) -> Car:
        """A changed copy of the car; not checked against the car file's bounds."""
        changes = self.changes(departures)
        tables = {table: getattr(self.car, table).model_copy(update=keys) for table, keys in changes.items()}
        return self.car.model_copy(update=tables)

    def changes(self, departures: Floats) -> dict[str, dict[str, Any]]:
        """Values that departures stand for, by table and key, as ``with_values`` takes them."""
        by_name = dict(zip(self.names, (float(x) for x in departures), strict=True))
        changes: dict[str, dict[str, Any]] = {}
        for one, departure in zip(self.each, departures, strict=True):
            if one.table and one.key in SIMPLE:
                value = SIMPLE[one.key](getattr(getattr(self.car, one.table), one.key), departure)
                changes.setdefault(one.table, {})[one.key] = float(value)
        slope = by_name.get(FRICTION_SLOPE, 0.0)
        constant, linear, square = self.car.engine.friction_bar
        turned = (constant - slope * self.pivot_rpm / 1000.0, linear + slope, square)
        changes.setdefault("engine", {})["friction_bar"] = turned
        adjust = np.array([by_name[f"{VALVE_AREA} {knot:g}"] for knot in self.knots])
        changes.setdefault("valve", {})["area_mm2"] = adjusted_area(self.car, self.knots, adjust)
        return changes


def factor(value: float, departure: float) -> float:
    """Apply a logarithmic departure [any]."""
    return value * float(np.exp(departure))


def added(value: float, departure: float) -> float:
    """Apply an additive departure; the result is not below 0 [any]."""
    return max(value + departure, 0.0)


def lag_of_share(share: float) -> float:
    """Lag that keeping a share of the old reading makes [firings].

    Source: first-order discrete filter, any textbook.
    """
    return share / (1.0 - share)


def smoothing(share: float, departure: float) -> float:
    """Change the lag of the speed reading, a share [-]."""
    lag = max(lag_of_share(share) + departure, 0.0)
    return lag / (1.0 + lag)


_FACTORS = """
    leak_mm2 volume_cm3 inertia_kg_m2 work_per_air_kJ_per_kg friction_scale torque_delay_deg map_lag_s
    efficiency base_W alternator_max_W lag_s
"""
SIMPLE: dict[str, Callable[[float, float], float]] = {
    **dict.fromkeys(_FACTORS.split(), factor), "backlash_steps": added, "rpm_smoothing": smoothing,
    "fuelling_lag_s": added,
}  # fmt: skip
"""Keys of the car file changed on their own, each with how."""
FRICTION_SLOPE = "engine.friction_bar slope"
VALVE_AREA = "valve.area_mm2 a step, about step"


def _bounded(name: str, table: str, key: str, sd: float, car: Car, unit: str = "") -> Parameter:
    """A parameter whose departures keep within the car file's bounds and rules, and 4 sd."""
    model = getattr(car, table)
    value = float(getattr(model, key))
    low, high = -4.0 * sd, 4.0 * sd
    least, most = field_bounds(type(model), key)
    size = car.engine.displacement_cm3
    if key == "torque_delay_deg":
        most = min(most, 3.0 * 720.0 / car.engine.cylinders)
    elif key == "inertia_kg_m2":
        least = max(least, 2.0e-5 * size)
    elif key == "lag_s":
        least = 0.03  # quicker ones only make a run slow
    elif key == "volume_cm3":
        least = max(least, 0.15 * size)
    if unit:
        # The lag of the reading and the backlash end at 0.
        least_added = -lag_of_share(value) if key == "rpm_smoothing" else least - value
        low = max(low, least_added)
        high = min(high, 10.0 if key == "rpm_smoothing" else most - value)
    else:
        low = max(low, float(np.log(max(least, 1.0e-9) / value)))
        high = min(high, float(np.log(most / value)))
    return Parameter(name, table, key, sd, min(low, 0.0), max(high, 0.0), unit)


def field_bounds(model: Any, key: str) -> tuple[float, float]:
    """Lowest and highest value of a number of the car file, infinite where there is none."""
    least, most = -np.inf, np.inf
    for rule in model.model_fields[key].metadata:
        least = max(least, float(getattr(rule, "ge", -np.inf)))
        most = min(most, float(getattr(rule, "le", np.inf)))
    return least, most


def _spread(car: Car, table: str, key: str, default: float) -> float:
    """Belief from the car file's [uncertainty] where it has one."""
    return float(car.uncertainty.get(table, {}).get(key, default)) or default


def make_parameters(
    car: Car, visited: Floats, pivot_rpm: float, with_map: bool, loads: int = 0
) -> Parameters:
    """Decide what may change, with the beliefs about it."""
    plain = [
        ("leak at the throttle", "throttle", "leak_mm2", 0.35, ""),
        ("manifold volume", "manifold", "volume_cm3", 0.35, ""),
        ("inertia", "engine", "inertia_kg_m2", 0.25, ""),
        ("work per air", "engine", "work_per_air_kJ_per_kg", 0.12, ""),
        ("friction", "engine", "friction_scale", 0.20, ""),
        ("torque delay", "engine", "torque_delay_deg", 0.20, ""),
        ("alternator efficiency", "electrics", "efficiency", 0.20, ""),
        ("base load", "electrics", "base_W", 0.30, ""),
        ("alternator's limit", "electrics", "alternator_max_W", 0.50, ""),
        ("backlash", "valve", "backlash_steps", 1.0, "steps"),
        ("lag of the speed reading", "sensors", "rpm_smoothing", 0.7, "firings"),
        ("lag of the fuelling", "mixture", "fuelling_lag_s", 0.04, "s"),
    ]
    if not loads:  # only one whose moment was recorded tells how quickly the alternator takes it on
        plain.append(("lag of the regulator", "electrics", "lag_s", 0.7, ""))
    if with_map:
        plain.append(("lag of the pressure reading", "sensors", "map_lag_s", 0.5, ""))
    each = [
        _bounded(f"{table}.{key}", table, key, sd if unit else _spread(car, table, key, sd), car, unit)
        for _, table, key, sd, unit in plain
        if unit or getattr(getattr(car, table), key) > 0.0
    ]
    flatter = max(-0.9, min(-least_rise_bar(*car.engine.friction_bar[1:]), 0.0))
    each.append(Parameter(FRICTION_SLOPE, "engine", "friction_bar", 0.3, flatter, 0.9, "bar"))
    knots = valve_knots(visited, float(min(car.valve.open_limit_steps, car.valve.travel_steps)))
    blocks = [np.diag([1.0 / one.sd**2 for one in each])]
    blocks.append(np.linalg.inv(knot_covariance(knots, float(car.valve.travel_steps))))
    each += [Parameter(f"{VALVE_AREA} {knot:g}", "valve", "area_mm2", SCALE_SD, -2.5, 2.0) for knot in knots]
    each += [Parameter(f"load {number + 1}", "", "", LOAD_SD, -3.0, 3.0) for number in range(loads)]
    blocks.append(np.eye(loads) / LOAD_SD**2)
    from scipy.linalg import block_diag

    root = np.linalg.cholesky(block_diag(*blocks)).T
    return Parameters(car, tuple(each), knots, pivot_rpm, np.asarray(root))
