"""Laws of scaling: an engine twice the size idles alike, and thinner air through wider openings too."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

from sim import Car, equilibrium, with_values
from sim.air import CRITICAL_RATIO, SEA_LEVEL_Pa, standard_atmosphere
from sim.linearise import linearise
from tests.random_cars import random_car

STEPS = 30.0
COUNT = 8
ALIKE = 1e-4
"""The alternator's limit sets in over a share of the load and one watt, which is no share [-]."""


def times(car: Car, factor: float, tables: dict[str, tuple[str, ...]]) -> dict[str, dict[str, Any]]:
    """Changes that make some numbers so many times as large."""
    return {
        table: {
            key: factor * value for key in keys if (value := getattr(getattr(car, table), key)) is not None
        }
        for table, keys in tables.items()
    }


def wider(car: Car, factor: float) -> dict[str, dict[str, Any]]:
    """Changes that make all openings so many times as large."""
    changes = times(car, factor, {"throttle": ("leak_mm2", "open_mm2"), "valve": ("series_mm2",)})
    changes["valve"]["area_mm2"] = [[at, factor * area] for at, area in car.valve.area_mm2]
    return changes


def twice(car: Car) -> Car:
    """Two of the engine side by side: cylinders, volumes, flywheel, openings, current and loads."""
    sizes: dict[str, tuple[str, ...]] = {
        "engine": ("displacement_cm3", "inertia_kg_m2"),
        "manifold": ("volume_cm3",),
        "electrics": ("base_W", "alternator_max_W"),
    }
    changes = times(car, 2.0, sizes) | wider(car, 2.0)
    engine = car.engine
    changes["engine"] |= {
        "cylinders": 2 * engine.cylinders,
        "cylinder_balance": [*engine.cylinder_balance] * 2,
        "torque_delay_deg": engine.torque_delay_deg,
    }
    return with_values(car, changes)


@cache
def small_cars() -> list[Car]:
    """Random cars of which there may be two in one, and with the exhaust's pressure given."""
    found: list[Car] = []
    rng = np.random.default_rng(77)
    while len(found) < COUNT:
        car = random_car(rng)
        engine = car.engine
        fits = engine.cylinders <= 6 and engine.torque_delay_deg <= 1080.0 / engine.cylinders
        fits &= engine.displacement_cm3 < 5000.0 and car.manifold.volume_cm3 < 10_000.0
        if fits and equilibrium(car, STEPS)["rpm"] > 300.0:
            found.append(with_values(car, {"engine": {"exhaust_kPa": 101.325}}))
    return found


@pytest.mark.parametrize("number", range(COUNT))
def test_twice_the_cylinders_at_twice_the_volume_idle_alike(number: int) -> None:
    car = small_cars()[number]
    one, two = equilibrium(car, STEPS), equilibrium(twice(car), STEPS)
    assert two["rpm"] == pytest.approx(one["rpm"], rel=ALIKE)
    assert two["map_kPa"] == pytest.approx(one["map_kPa"], rel=ALIKE)
    assert two["air_g_s"] == pytest.approx(2.0 * one["air_g_s"], rel=ALIKE)
    assert two["torque_Nm"] == pytest.approx(2.0 * one["torque_Nm"], rel=ALIKE)
    # And answer alike: the same rates for twice the area a step.
    slow, other = linearise(car, STEPS), linearise(twice(car), STEPS)
    assert other.area_per_step_m2 == pytest.approx(2.0 * slow.area_per_step_m2, rel=ALIKE)
    assert other.pressure_rate_per_Pa == pytest.approx(slow.pressure_rate_per_Pa, rel=ALIKE)


@pytest.mark.parametrize("altitude_m", [1000.0, 2500.0])
@pytest.mark.parametrize("number", range(COUNT))
def test_thinner_air_through_wider_openings_idles_alike_while_they_are_choked(
    number: int, altitude_m: float
) -> None:
    car = small_cars()[number]
    pressure_Pa, _ = standard_atmosphere(altitude_m)
    # Choked flow goes with area and pressure outside; nothing else of the engine asks for that pressure.
    factor = SEA_LEVEL_Pa / pressure_Pa
    low, high = (
        equilibrium(car, STEPS),
        equilibrium(with_values(car, wider(car, factor)), STEPS, altitude_m=altitude_m),
    )
    if 1000.0 * low["map_kPa"] < CRITICAL_RATIO * pressure_Pa:
        assert high["rpm"] == pytest.approx(low["rpm"], rel=ALIKE)
        assert high["air_g_s"] == pytest.approx(low["air_g_s"], rel=ALIKE)
    else:
        assert high["air_g_s"] < low["air_g_s"] * (1.0 + ALIKE)


def test_some_of_the_cars_are_choked_at_each_height() -> None:
    pressure_Pa, _ = standard_atmosphere(2500.0)
    choked = [
        1000.0 * equilibrium(car, STEPS)["map_kPa"] < CRITICAL_RATIO * pressure_Pa for car in small_cars()
    ]
    assert sum(choked) >= 2
