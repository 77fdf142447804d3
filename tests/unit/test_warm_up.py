"""Warm-up: heat, thermostat, oil, friction, sensor lag; held where it is not asked for."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sim import Scenario, Trace, equilibrium, load_car, load_scenario, simulate, with_values
from sim.sensors import followed_degC
from sim.thermal import coolant_rate, cooling_W_per_K, manifold_K, oil_rate


def idling(duration_s: float, **more: Any) -> Scenario:
    """An engine that idles already."""
    values = {"name": "warm-up", "duration_s": duration_s, "coolant_degC": 20.0}
    return Scenario.model_validate(values | more)


@pytest.fixture(scope="module")
def cold() -> Trace:
    """The trials car from 20 degC to warm."""
    return simulate(load_car("trials"), load_scenario("cold_start_20"), seed=1)


def test_temperatures_are_held_unless_the_scenario_warms_up() -> None:
    trace = simulate(load_car("trials"), idling(60.0), seed=0)
    assert set(trace["coolant_degC"]) == set(trace["oil_degC"]) == {20.0}
    assert not any(event.name == "thermal" for event in trace.events)
    assert Scenario.model_validate({"name": "x", "duration_s": 5, "start": "key_on"}).warm_up
    assert not idling(5.0).warm_up
    assert idling(5.0, warm_up=True).warm_up


def test_an_engine_warms_and_stays_at_its_thermostat(cold: Trace) -> None:
    coolant = cold["coolant_degC"]
    assert coolant[0] == 20.0
    assert np.interp(200.0, cold.time_s, coolant) > 40.0
    opens = load_car("trials").thermal.thermostat_degC
    assert opens - 25.0 < coolant[-1] < opens + 8.0
    hot = simulate(load_car("six"), idling(240.0, coolant_degC=84.0, warm_up=True), seed=1)
    assert hot["coolant_degC"].max() < load_car("six").thermal.thermostat_degC + 8.0


def test_oil_lags_the_coolant_and_friction_falls(cold: Trace) -> None:
    warming = (cold.time_s > 30.0) & (cold.time_s < 400.0)
    assert np.all(cold["oil_degC"][warming] < cold["coolant_degC"][warming])
    minutes = [np.interp(t, cold.time_s, cold["oil_degC"]) for t in (60.0, 300.0, 900.0)]
    assert minutes == sorted(minutes)


def test_target_and_base_follow_the_sensor_which_follows_the_coolant(cold: Trace) -> None:
    car = load_car("trials")
    sensed, coolant = cold["coolant_sensed_degC"], cold["coolant_degC"]
    rising = (cold.time_s > 60.0) & (cold.time_s < 200.0)
    rate = np.gradient(np.interp(np.arange(60.0, 200.0), cold.time_s, coolant)).mean()
    assert np.mean((coolant - sensed)[rising]) == pytest.approx(rate * car.sensors.coolant_lag_s, rel=0.2)
    for name, curve in (("target_rpm", car.curves.target_rpm), ("base_steps", car.curves.base_steps)):
        expected = np.interp(sensed, *np.asarray(curve, dtype=float).T)
        np.testing.assert_allclose(cold[name], expected, atol=1e-9)


@pytest.mark.parametrize("name", ["trials", "twin"])
def test_a_switched_off_engine_cools_over_hours(name: str) -> None:
    # Warm to the hand after an hour, cold overnight: common practice, no source.
    events = [{"at_s": 5, "set": "key", "to": "off"}]
    scenario = idling(3600.0, coolant_degC=85.0, warm_up=True, event=events)
    trace = simulate(load_car(name), scenario, seed=0)
    coolant = np.interp([60.0, 600.0, 3600.0], trace.time_s, trace["coolant_degC"])
    assert coolant[0] > 80.0
    assert 65.0 < coolant[1] < coolant[0]
    assert 30.0 < coolant[2] < 70.0


def test_the_air_in_the_manifold_is_as_cold_as_the_engine() -> None:
    assert manifold_K(-20.0, 253.15, 313.15) == pytest.approx(253.15)
    assert manifold_K(20.0, 253.15, 313.15) == pytest.approx(253.15 + 60.0 * 0.5)
    assert manifold_K(0.0, 293.15, 313.15) == pytest.approx(273.15)
    assert manifold_K(60.0, 253.15, 313.15) == manifold_K(90.0, 293.15, 313.15) == 313.15
    # Stone cold it runs as one whose air is never warmed; warm it does not.
    car = with_values(load_car("trials"), {"feedback": {"law": "none"}})
    unheated = with_values(car, {"manifold": {"air_degC": -20.0}})
    for coolant_degC, same in ((-20.0, True), (70.0, False)):
        cold = idling(3.0, coolant_degC=coolant_degC, ambient_degC=-20.0)
        air = [simulate(one, cold, seed=0)["air_out_kg"][-1] for one in (car, unheated)]
        assert (air[0] == pytest.approx(air[1], rel=1e-6)) == same


def test_the_air_cooled_car_warms_at_its_head_and_a_fan_cools_it() -> None:
    trace = simulate(load_car("twin"), idling(500.0, warm_up=True), seed=0)
    assert 50.0 < trace["coolant_degC"][-1] < 140.0
    slow = cooling_W_per_K(100.0, 60.0, 14.0, 85.0, 1.0)
    fast = cooling_W_per_K(100.0, 120.0, 14.0, 85.0, 1.0)
    # Forced convection: twice the speed takes 2^0.8 of the heat.
    assert fast / slow == pytest.approx(2.0**0.8)
    assert cooling_W_per_K(120.0, 0.0, 14.0, 85.0, 1.0) == pytest.approx(0.15 * 14.0)
    # Below its thermostat most of the cooling air is kept out.
    assert cooling_W_per_K(80.0, 120.0, 14.0, 85.0, 1.0) == pytest.approx(0.35 * fast)


def test_the_head_of_an_air_cooled_engine_leads_its_oil_and_ends_at_its_thermostat() -> None:
    car = load_car("twin")
    trace = simulate(car, idling(2000.0, warm_up=True), seed=0)
    warming = trace.time_s > 120.0
    assert np.all(trace["oil_degC"][warming] < trace["coolant_degC"][warming])
    assert abs(trace["coolant_degC"][-1] - car.thermal.thermostat_degC) < 10.0
    assert 65.0 < trace["oil_degC"][-1] < 95.0
    early = (trace.time_s > 120.0) & (trace.time_s < 600.0)
    assert np.all((trace["coolant_degC"] - trace["oil_degC"])[early] > 10.0)


def test_a_sensor_in_the_oil_leads_the_curves() -> None:
    car = with_values(load_car("twin"), {"sensors": {"temperature_of": "oil"}})
    trace = simulate(car, idling(400.0, warm_up=True), seed=0)
    sensed, oil = trace["coolant_sensed_degC"], trace["oil_degC"]
    assert abs(sensed[-1] - oil[-1]) < 1.0 < trace["coolant_degC"][-1] - oil[-1]
    expected = np.interp(sensed, *np.asarray(car.curves.base_steps, dtype=float).T)
    np.testing.assert_allclose(trace["base_steps"], expected, atol=1e-9)
    assert [load_car(name).temperature_name for name in ("trials", "twin")] == ["coolant", "cylinder head"]
    assert car.temperature_name == "oil"
    # So do the tables of spark and mixture: a controller knows no other temperature.
    share = (60.0 - sensed[-1]) / 80.0
    bent = with_values(car, {"spark": {"cold_deg": car.spark.base_deg + 8.0}})
    late = simulate(bent, idling(400.0, warm_up=True), seed=0)
    assert late["spark_deg"][-1] == pytest.approx(car.spark.base_deg + 8.0 * share, abs=0.3)


def test_spark_and_mixture_follow_the_temperature_from_cold_to_warm() -> None:
    as_warm = {"spark": {"cold_deg": None}, "mixture": {"lambda_cold": None}}
    car = with_values(load_car("trials"), as_warm)
    cold = with_values(
        car,
        {
            "spark": {"cold_deg": car.spark.base_deg + 8.0},
            "mixture": {"lambda_cold": car.mixture.lambda_best},
        },
    )
    for coolant_degC, share in ((-20.0, 1.0), (20.0, 0.5), (60.0, 0.0), (90.0, 0.0)):
        trace = simulate(cold, idling(2.0, coolant_degC=coolant_degC), seed=0)
        assert trace["spark_deg"] == pytest.approx(car.spark.base_deg + 8.0 * share)
        richer = car.mixture.lambda_base - car.mixture.lambda_best
        assert trace["lambda"] == pytest.approx(car.mixture.lambda_base - richer * share)
    # More of the work is left: the efficiencies of sim.combustion by hand, at -20 degC.
    off_deg = car.spark.best_deg - car.spark.base_deg
    loss = car.spark.loss_per_deg2
    spark = (1.0 - loss * (off_deg - 8.0) ** 2) / (1.0 - loss * off_deg**2)
    off = car.mixture.lambda_base - car.mixture.lambda_best
    gained = spark / (1.0 - car.mixture.loss * off**2)
    for coolant_degC, factor in ((-20.0, gained), (70.0, 1.0)):
        torque = [equilibrium(one, 60.0, coolant_degC) for one in (car, cold)]
        per_air = [one["torque_Nm"] * one["rpm"] / one["air_g_s"] for one in torque]
        assert per_air[1] / per_air[0] == pytest.approx(factor)


def test_heat_balances_by_hand() -> None:
    # 4 kW into 20 kJ/K at 60 degC, oil at 40 with 8 kJ/K, losing 30 W/K to 20 degC.
    to_oil = 8000.0 / 240.0 * 20.0
    assert coolant_rate(4000.0, 60.0, 40.0, 20.0, 30.0, 8000.0, 20_000.0) == pytest.approx(
        (4000.0 - 30.0 * 40.0 - to_oil) / 20_000.0
    )
    assert oil_rate(1000.0, 60.0, 40.0, 20.0, 8000.0, 0.15) == pytest.approx(
        0.4 * 1000.0 / 8000.0 + (20.0 - 0.15 * 20.0) / 240.0
    )
    assert cooling_W_per_K(80.0, 90.0, 30.0, 85.0, 0.0) == 30.0
    assert cooling_W_per_K(89.0, 90.0, 30.0, 85.0, 0.0) == pytest.approx(30.0 * 13.5)
    assert followed_degC(20.0, 80.0, 0.0, 1.0) == 80.0
    assert followed_degC(20.0, 80.0, 5.0, 1.0) == pytest.approx(30.0)


def test_thicker_oil_idles_slower_in_the_cold() -> None:
    car = with_values(load_car("trials"), {"feedback": {"law": "none"}})
    thick = with_values(car, {"thermal": {"oil_grade": "20W-50"}})
    speeds = [
        simulate(one, idling(40.0, coolant_degC=0.0), seed=0)["rpm"][-400:].mean() for one in (car, thick)
    ]
    assert speeds[1] < speeds[0] - 30.0
