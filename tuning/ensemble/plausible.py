"""Cars that the car at hand could be: what is not known well is varied, what is known is kept.

Each is the car file with its uncertain numbers multiplied by factors drawn about 1 (log-normal, cut off at
two standard deviations); how uncertain each is stands in the file's ``[uncertainty]`` (a fit writes it there)
or in ``DEFAULT_SPREADS``. Of every car whose base curve was set by hand it is known where it idles on it:
throttle leak, then work per air, are set such that each idles warm where the file's does, and one that would
idle far off when cool is drawn in toward the file. Where the file says how uncertain the scatter is, as a fit
does, it is known how far speed swings with the valve held: what was drawn for the scatter then holds for that
swing, so a car with a lighter flywheel scatters less, not more. An ensemble is drawn in layers (a Latin
hypercube: McKay, Beckman & Conover, Technometrics 21 (1979), from memory). What is drawn depends on the seed,
the purpose, the number of cars and the number's own name, never on what else is drawn.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Any
from zlib import crc32

import numpy as np

from sim import Car, InputError, with_values
from tuning.ensemble.known_idle import COOL_degC, bounded, idle_rpm, idles_at, seen_swing_rpm, swings_as
from tuning.loop import WARM_degC

DEFAULT_SPREADS: Mapping[str, Mapping[str, float]] = {
    "engine": {
        "inertia_kg_m2": 0.15,
        "work_per_air_kJ_per_kg": 0.06,
        "volumetric_efficiency": 0.06,
        "friction_scale": 0.12,
        "torque_delay_deg": 0.10,
        "scatter_share": 0.20,
    },
    "spark": {"loss_per_deg2": 0.15},
    "mixture": {"loss": 0.20},
    "manifold": {"volume_cm3": 0.12},
    "valve": {"area_mm2": 0.10},
    "electrics": {"efficiency": 0.08, "lag_s": 0.30, "cut_in_rpm": 0.05},
    "loads": dict.fromkeys(("lamps_W", "fan_W", "screen_W"), 0.08)
    | dict.fromkeys(("steering_Nm", "aircon_Nm", "gearbox_Nm", "clutch_Nm"), 0.15),
}
"""Relative standard deviations of an engine known from its papers only [-]; our judgement."""

CARS_SHARE = 0.9
"""Share of the cars on which settings must do, for a search and for the stress matrix: our judgement;
common practice, no source [-]."""

ADDED_SPREADS: Mapping[str, Mapping[str, float]] = {
    "mixture": {"wall_share": 0.12, "fuelling_lag_s": 0.04}, "valve": {"backlash_steps": 0.3},
    "sensors": {"rpm_noise_rpm": 1.0},
}  # fmt: skip
"""Standard deviations added, upwards only, to what car files often leave at 0; our judgement."""

CARRIES_ALL_W, LOOSE_LIMIT = 5000.0, 0.1
"""An alternator that carries every load, and the spread of a fitted limit from which every second car has it:
a load left to the battery is not felt, and the limit itself steadies the idle; our judgement [W, -]."""
CUT_OFF = 2.0  # Draws are cut off at this many standard deviations [-].
COOL_TOLERANCE_rpm = 120.0
"""How near at 20 degC: the base curve was set by hand there too, if less well [rpm]."""
SHARES = (1.0, 0.8, 0.6, 0.4, 0.2)
"""A draw that cannot be is drawn in to these shares of its deviations, one after the other [-]."""

SEARCH, SELECTION, VERDICT, STRESS = range(4)  # Purposes: cars drawn for one are strangers to the others.

SCATTER = "engine.scatter_share"

_PLAIN_NAMES = {
    "engine.inertia_kg_m2": "flywheel", "engine.work_per_air_kJ_per_kg": "work per kg of air",
    "engine.volumetric_efficiency": "volumetric efficiency", "engine.friction_scale": "friction",
    "engine.torque_delay_deg": "torque delay", SCATTER: "combustion variation",
    "manifold.volume_cm3": "manifold volume", "valve.area_mm2": "valve area",
    "throttle.leak_mm2": "throttle leak", "electrics.efficiency": "alternator efficiency",
}  # fmt: skip

Changes = dict[str, dict[str, Any]]
_Made = tuple[Car, dict[str, float]]


def is_acceptable(failing_share: float) -> bool:
    """Whether settings that fail on this share of the cars may be used."""
    return failing_share <= 1.0 - CARS_SHARE + 1e-9


@dataclass(frozen=True)
class Plausible:
    """An ensemble of cars."""

    cars: tuple[Car, ...]  # the first as its file says
    factors: tuple[Mapping[str, float], ...]  # of each, by "table.key": what its number was multiplied by

    def describe(self, index: int) -> str:
        """Say in words how a plausible car differs most from the car file, which is car 0.

        Parameters
        ----------
        index : int

        Returns
        -------
        str, such as "variation 7: flywheel 18 % less, valve area 9 % more"
        """
        if index == 0:
            return "the car as its file says"
        known = {k: f for k, f in self.factors[index].items() if k in _PLAIN_NAMES and f > 0.0}
        largest = sorted(known, key=lambda key: -abs(math.log(known[key])))[:3]
        changes = [(_PLAIN_NAMES[key], 100.0 * (known[key] - 1.0)) for key in largest]
        told = ", ".join(f"{name} {abs(by):.0f} % {'more' if by > 0 else 'less'}" for name, by in changes)
        return f"variation {index}: {told}" if told else f"variation {index}"


def spreads_of(car: Car) -> dict[str, dict[str, float]]:
    """Relative standard deviations in force for a car."""
    tables = sorted({*DEFAULT_SPREADS, *car.uncertainty})
    return {table: {**DEFAULT_SPREADS.get(table, {}), **car.uncertainty.get(table, {})} for table in tables}


@dataclass(frozen=True)
class _Draws:
    """Standard normal numbers, cut off, one a name and car."""

    seed: int
    purpose: int
    cars: int

    def of(self, name: str, index: int) -> float:
        """The number of a car, from its own layer of the normal distribution."""
        from scipy.special import ndtri

        key = np.random.SeedSequence([self.seed, self.purpose, self.cars, crc32(name.encode())])
        rng = np.random.Generator(np.random.Philox(key))
        layer = rng.permutation(self.cars)[index]
        within = rng.random(self.cars)[index]
        normal = float(ndtri((layer + within) / self.cars))
        return min(max(normal, -CUT_OFF), CUT_OFF)


def _scaled(value: Any, factor: float, key: str) -> Any:
    """A number, or an array of numbers, times a factor; positions of a valve table are kept."""
    if key == "area_mm2":
        return tuple((steps, area * factor) for steps, area in value)
    if isinstance(value, tuple):
        return tuple(one * factor for one in value)
    return max(1, round(value * factor)) if isinstance(value, int) else value * factor


def _varied(car: Car, draws: _Draws, index: int, share: float) -> tuple[Changes, Any]:
    """Changed values and factors of one plausible car; the share scales all deviations."""
    changes: Changes = {}
    factors: dict[str, float] = {}
    for table, keys in spreads_of(car).items():
        model = getattr(car, table)
        for key, spread in keys.items():
            old = getattr(model, key)
            if old is None:
                continue
            name = f"{table}.{key}"
            factor = math.exp(share * spread * draws.of(name, index))
            new = _scaled(old, factor, key)
            new = bounded(model, key, new) if isinstance(new, float) else new
            changes.setdefault(table, {})[key] = new
            factors[name] = factor
    electrics = car.uncertainty.get("electrics", {})
    if index % 2 == 0 and electrics.get("alternator_max_W", 0.0) > LOOSE_LIMIT:
        changes["electrics"]["alternator_max_W"] = CARRIES_ALL_W
    if "efficiency" in electrics:
        # A log tells what the base load takes from the crank, not how much of that becomes electric power.
        base_W = car.electrics.base_W * factors["electrics.efficiency"]
        changes["electrics"]["base_W"] = bounded(car.electrics, "base_W", base_W)
    for table, added in ADDED_SPREADS.items():
        model = getattr(car, table)
        for key, spread in added.items():
            if key in car.uncertainty.get(table, {}):
                continue
            more = share * spread * abs(draws.of(f"added {table}.{key}", index))
            changes.setdefault(table, {})[key] = bounded(model, key, getattr(model, key) + more)
    return changes, factors


def _made(car: Car, draws: _Draws, index: int, idles: tuple[float, float], swing_rpm: float) -> _Made:
    """One plausible car that idles where it should.

    A draw that the car file's rules refuse, or that idles far off when cool, is drawn in toward the file.
    """
    warm_rpm, cool_rpm = idles
    for share in SHARES:
        changes, factors = _varied(car, draws, index, share)
        try:
            one = with_values(car, changes)
        except InputError:
            continue
        if warm_rpm > 0.0:
            one = idles_at(one, warm_rpm)
            one = swings_as(one, factors.get(SCATTER, 1.0) * swing_rpm, warm_rpm)
        factors |= _set_factors(car, one)
        if abs(idle_rpm(one, COOL_degC) - cool_rpm) <= COOL_TOLERANCE_rpm:
            return one, factors
    return car, {}


def plausible_cars(car: Car, count: int, *, seed: int = 0, purpose: int = SEARCH) -> Plausible:
    """Draw an ensemble of cars that the car at hand could be.

    Parameters
    ----------
    car, count, seed, purpose : Car, int
        How many, 1 or more, the first as the file says; seed, 0 or more; ``SEARCH``, ``SELECTION``,
        ``VERDICT`` or ``STRESS``: other cars for each.

    Returns
    -------
    Plausible

    Raises
    ------
    ValueError
        If the count is below 1.
    """
    if count < 1:
        raise ValueError(f"count of plausible cars: {count}, allowed: 1 or more")
    idles = (idle_rpm(car, WARM_degC), idle_rpm(car, COOL_degC))
    draws, swing_rpm = _Draws(seed, purpose, count - 1), seen_swing_rpm(car, idles[0])
    made = [(car, {}), *(_made(car, draws, index, idles, swing_rpm) for index in range(count - 1))]
    return Plausible(tuple(one for one, _ in made), tuple(factors for _, factors in made))


def _set_factors(car: Car, one: Car) -> dict[str, float]:
    """Factors of the numbers that setting the idle and its swing may have changed."""
    factors = {}
    for name in ("engine.work_per_air_kJ_per_kg", "throttle.leak_mm2", SCATTER):
        new, old = map(attrgetter(name), (one, car))
        factors[name] = new / old if old > 0.0 else 1.0
    return factors


def noise_seeds(seed: int, purpose: int, count: int) -> Sequence[int]:
    """Seeds of the engines' scatter, the same for every candidate (common random numbers).

    Parameters
    ----------
    seed, purpose, count : int
        As for ``plausible_cars``.

    Returns
    -------
    list of int, 0 to 2**31 - 1; the first of more are the same
    """
    return [
        int(np.random.SeedSequence([seed, purpose, index, 1]).generate_state(1)[0] >> 1)
        for index in range(count)
    ]
