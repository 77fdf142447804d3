"""Figures of the trade that the demonstration cars and new cars keep to: common practice, no source."""

from __future__ import annotations

import pytest

from controllers import curve_at
from sim import Car, load_car, with_values
from sim.linearise import settled_rpm
from sim.prepare import FAN_INRUSH, FAN_INRUSH_s
from tests.typical_cars import CARS, TYPICAL, car_of
from tuning.checks import base_spots

SMALL_cm3 = 800.0
"""Engines below this have smaller consumers."""


def warm_rpm(car: Car, spark_deg: float) -> float:
    """Speed on the warm base with feedback off, at a spark [rpm]."""
    fixed = with_values(car, {"spark": {"base_deg": spark_deg, "cold_deg": None}})
    return float(settled_rpm(fixed, [curve_at(car.curves.base_steps, 90.0)], 90.0)[0])


@pytest.mark.parametrize("name", CARS)
def test_targets_loads_electrics_throttle_and_spark_are_as_usual(name: str) -> None:
    car = car_of(name)
    warm, cold, frost = (curve_at(car.curves.target_rpm, at) for at in (90.0, 0.0, -20.0))
    assert 250.0 <= cold - warm <= 350.0
    assert 350.0 <= frost - warm <= 500.0
    loads, electrics, litres = car.loads, car.electrics, car.engine.displacement_cm3 / 1000.0
    small = car.engine.displacement_cm3 < SMALL_cm3
    assert loads.fan_W == 0.0 or 120.0 <= loads.fan_W <= 250.0
    assert 2.0 <= FAN_INRUSH <= 3.0
    assert FAN_INRUSH_s == 0.5
    assert (loads.lamps_W == 100.0) if small else (140.0 <= loads.lamps_W <= 160.0)
    assert loads.screen_W == 0.0 or 120.0 <= loads.screen_W <= 200.0
    assert 180.0 <= electrics.base_W <= 220.0
    assert loads.steering_Nm == 0.0 or 10.0 <= loads.steering_Nm <= 15.0
    assert loads.gearbox_Nm == 0.0 or 20.0 <= loads.gearbox_Nm <= 30.0
    assert 500.0 <= electrics.cut_in_rpm <= 650.0
    assert 2500.0 <= electrics.full_rpm <= 3000.0
    assert car.throttle.open_mm2 / (1000.0 * litres) == pytest.approx(0.8, abs=0.03)
    assert 10.0 <= 0.5 * (warm_rpm(car, 13.0) - warm_rpm(car, 11.0)) <= 20.0


@pytest.mark.parametrize("name", CARS)
def test_feedback_waits_out_the_after_start_air_which_decays_as_is_usual(name: str) -> None:
    car = car_of(name)
    assert 10.0 <= car.curves.after_start_fade_s <= 30.0
    assert not car.feedback.acts or car.feedback.enable_delay_s >= car.curves.after_start_fade_s


@pytest.mark.parametrize("name", CARS)
def test_each_valve_is_one_that_is_made_and_stands_where_it_can_close(name: str) -> None:
    car = car_of(name)
    assert 100 <= car.valve.travel_steps <= 250
    assert car.valve.homing_steps >= 1.2 * car.valve.travel_steps
    warm = base_spots(car)[-1]
    assert 0.1 <= warm.base_steps / car.valve.travel_steps <= 0.25
    if name in TYPICAL and 1000.0 <= car.engine.displacement_cm3 <= 2000.0:
        assert 5.0 <= warm.rpm_per_step <= 10.0


def test_no_two_demonstration_cars_have_the_same_valve_and_their_temperatures_are_round() -> None:
    cars = [load_car(name) for name in ("trials", "twin", "six")]
    assert len({car.valve.travel_steps for car in cars}) == len({car.valve.area_mm2 for car in cars}) == 3
    for car in cars:
        assert all(degC % 5.0 == 0.0 for degC, _ in (*car.curves.base_steps, *car.curves.target_rpm))


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
def test_the_base_curves_of_demonstration_cars_are_right_when_cold(name: str) -> None:
    for spot in base_spots(car_of(name)):
        assert abs(spot.settled_rpm - spot.target_rpm) < 60.0, spot
