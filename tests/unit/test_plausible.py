"""Plausible cars: what is known of a car is kept, what is not is spread."""

from __future__ import annotations

import numpy as np
import pytest

from sim import Car, load_car, with_values
from tuning.ensemble.known_idle import held_swing_rpm, idle_rpm, share_for_swing
from tuning.ensemble.plausible import DEFAULT_SPREADS, plausible_cars
from tuning.loop import WARM_degC, base_position

COUNT = 12


def swing_rpm(car: Car) -> float:
    return held_swing_rpm(car, base_position(car), idle_rpm(car, WARM_degC))


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
def test_all_idle_warm_where_the_file_does(name: str) -> None:
    car = load_car(name)
    cars = plausible_cars(car, COUNT).cars
    assert cars[0] == car
    assert cars == plausible_cars(car, COUNT).cars
    idles = [idle_rpm(one, WARM_degC) for one in cars]
    assert idles == pytest.approx([idles[0]] * COUNT, abs=3.0)


@pytest.mark.parametrize(("spread", "least", "most"), [(0.0, 0.0, 0.03), (0.15, 0.09, 0.17)])
def test_where_scatter_was_seen_its_spread_is_that_of_the_swing(
    spread: float, least: float, most: float
) -> None:
    known = with_values(load_car("trials"), {"uncertainty": {"engine": {"scatter_share": spread}}})
    cars = plausible_cars(known, COUNT).cars[1:]
    swings = np.log([swing_rpm(one) / swing_rpm(known) for one in cars])
    # Cars that would idle far off when cold are drawn in, so that the spread is somewhat less.
    assert least <= np.std(swings) <= most
    assert abs(np.mean(swings)) < 0.04


def test_where_it_was_not_the_firings_are_spread() -> None:
    car = load_car("trials")
    cars = plausible_cars(car, COUNT).cars[1:]
    shares = np.array([one.engine.scatter_share / car.engine.scatter_share for one in cars])
    spread = DEFAULT_SPREADS["engine"]["scatter_share"]
    assert np.std(np.log(shares)) == pytest.approx(spread, rel=0.35)
    swings = np.array([swing_rpm(one) for one in cars])
    assert np.std(np.log(swings / shares)) > 0.05


def test_the_words_tell_how_scatter_differs() -> None:
    known = with_values(load_car("trials"), {"uncertainty": {"engine": {"scatter_share": 0.1}}})
    ensemble = plausible_cars(known, COUNT)
    for car, factors in zip(ensemble.cars[1:], ensemble.factors[1:], strict=True):
        share = car.engine.scatter_share / known.engine.scatter_share
        assert factors["engine.scatter_share"] == pytest.approx(share)


def test_scatter_is_found_for_a_swing() -> None:
    car = load_car("six")
    at = (base_position(car), idle_rpm(car, WARM_degC))
    wanted_rpm = 1.4 * held_swing_rpm(car, *at)
    share = share_for_swing(car, wanted_rpm, *at)
    made = with_values(car, {"engine": {"scatter_share": share}})
    assert held_swing_rpm(made, *at) == pytest.approx(wanted_rpm, rel=0.05)


def test_a_car_without_scatter_or_one_that_stalls_keeps_its_own() -> None:
    quiet = with_values(
        load_car("trials"), {"engine": {"scatter_share": 0.0}, "sensors": {"rpm_noise_rpm": 0.0}}
    )
    at = (base_position(quiet), idle_rpm(quiet, WARM_degC))
    assert share_for_swing(quiet, 20.0, *at) == 0.0
    stalling = with_values(load_car("trials"), {"throttle": {"leak_mm2": 0.0}})
    assert np.isnan(held_swing_rpm(stalling, 0.0, at[1]))
    assert share_for_swing(stalling, 20.0, 0.0, at[1]) == stalling.engine.scatter_share
