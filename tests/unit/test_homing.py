"""Homing: where the valve ends, how long it takes, and which pulses lose steps."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from sim import (
    COUNTERS,
    Car,
    Scenario,
    Trace,
    full_plan,
    load_car,
    load_scenario,
    make_fleet,
    run_plan,
    settings_table,
    simulate,
    with_values,
)
from sim.noise import START_STREAM, uniform
from sim.valve import needed_pulse_s, step_is_lost
from tests.said import said
from tuning.starts.story import StartStory, start_story
from tuning.starts.trials import start_scenario

LONG_TRAVEL = {"travel_steps": 120, "useful_travel_steps": 100, "open_limit_steps": 100}


def key_on(duration_s: float = 3.0, *events: dict[str, Any], **more: Any) -> Scenario:
    """Key on at rest, nobody cranks unless an event says so."""
    values = {"name": "key on", "start": "key_on", "duration_s": duration_s, "coolant_degC": 20}
    return Scenario.model_validate(values | {"event": list(events)} | more)


def valve_car(**valve: Any) -> Car:
    """The trials car with other valve numbers and no feedback."""
    return with_values(load_car("trials"), {"valve": valve, "feedback": {"law": "none"}})


def left_at(car: Car, seed: int) -> float:
    """Where a run of this seed finds the valve."""
    return math.floor(uniform(float(seed), START_STREAM, 0.0) * (car.valve.travel_steps + 1))


def seed_for(car: Car, position: float) -> int:
    """A seed that finds the valve at a position."""
    return next(seed for seed in range(20_000) if left_at(car, seed) == position)


def hidden_errors(car: Car, seeds: range) -> np.ndarray:
    """True less counted position after homing, a seed each."""
    fleet = make_fleet([car], [key_on()])
    plan = full_plan(fleet, settings_table([car]), seeds=seeds)
    errors = np.empty(len(seeds))

    def keep(rows: Any, _rpm: Any, _steps: Any, counters: Any) -> None:
        errors[rows] = counters[:, COUNTERS.index("hidden_error_steps")]

    run_plan(fleet, plan, keep, cores=1)
    return errors


def told(trace: Trace, name: str) -> list[str]:
    """Texts of the events of one kind."""
    return [event.text for event in trace.events if event.name == name]


def test_homing_of_150_from_anywhere_in_0_to_120_ends_at_the_seat() -> None:
    car = valve_car(homing_steps=150, **LONG_TRAVEL)
    seeds = range(800)
    assert {left_at(car, seed) for seed in seeds} == set(range(121))
    assert np.all(hidden_errors(car, seeds) == 0.0)


def test_homing_of_40_from_100_leaves_a_hidden_offset_of_60() -> None:
    car = valve_car(homing_steps=40, **LONG_TRAVEL)
    trace = simulate(car, key_on(), seed=seed_for(car, 100.0))
    assert told(trace, "homing") == ["counted as at the seat; the valve is at 60"]
    assert trace.counters["hidden_error_steps"] == 60.0
    starts = np.array([left_at(car, seed) for seed in range(200)])
    expected = np.maximum(starts - 40.0, 0.0)
    # The cranking position is asked for on top of the offset: the hard stop takes what is too much.
    room = car.valve.travel_steps - trace["believed_steps"][-1]
    assert np.array_equal(hidden_errors(car, range(200)), np.minimum(expected, room))


def test_homing_takes_its_steps_and_leads_to_the_cranking_position() -> None:
    car = valve_car(homing_steps=150)
    trace = simulate(car, key_on(), seed=3)
    homed_s = trace.time_s[np.flatnonzero(trace["homing"] > 0.5)[-1] + 1]
    assert homed_s == pytest.approx(150 * 5e-3, abs=1e-9)
    cranking = float(np.interp(20.0, *np.asarray(car.curves.cranking_steps).T))
    assert trace["believed_steps"][-1] == math.floor(cranking + 0.5)
    assert trace["shaft_steps"][-1] == trace["believed_steps"][-1]
    # Steps into the seat are made on purpose: they are lost, and nothing is wrong.
    assert trace["lost_steps"][-1] == 150 - left_at(car, 3)


def test_no_homing_leaves_the_valve_where_it_was() -> None:
    car = valve_car(homing_steps=0)
    seed = seed_for(car, 10.0)
    assert simulate(car, key_on(), seed=seed).counters["hidden_error_steps"] == 10.0


def test_homing_again_mends_a_lost_position() -> None:
    car = valve_car()
    scenario = key_on(5.0, {"at_s": 2, "set": "lost_steps", "to": 7}, {"at_s": 3, "set": "home"})
    trace = simulate(car, scenario, seed=1)
    error = trace["shaft_steps"] - trace["believed_steps"]
    between = (trace.time_s > 2.0) & (trace.time_s < 3.0)
    assert np.all(error[between] == -7.0)
    assert error[-1] == 0.0


def test_power_cut_in_mid_move_stops_the_valve_until_it_is_homed_again() -> None:
    scenario = key_on(4.0, {"at_s": 0.1, "set": "key", "to": "off"}, {"at_s": 1.5, "set": "key", "to": "on"})
    car = valve_car()
    trace = simulate(car, scenario, seed=seed_for(car, 70.0))
    off = (trace.time_s > 0.1) & (trace.time_s < 1.5)
    assert set(trace["shaft_steps"][off]) <= {50.0}
    assert np.all(trace["valve_steps"][off] == trace["valve_steps"][off][0])
    assert trace.counters["hidden_error_steps"] == 0.0


def test_a_2_ms_pulse_loses_steps_on_the_default_valve_and_4_ms_never() -> None:
    # Common practice, no source.
    moves = [{"at_s": 0.5 * n, "set": "home"} for n in range(1, 12)]
    scenario = key_on(10.0, *moves, start="idle")
    lost = {}
    for pulse in (2.0, 4.0):
        car = valve_car(pulse_ms=pulse)
        trace = simulate(car, scenario, seed=5)
        texts = told(trace, "valve step")
        assert len(texts) > 100
        lost[pulse] = sum(text.endswith("step lost") for text in texts)
    assert lost[2.0] > 5
    assert lost[4.0] == 0


def test_pull_in_by_voltage_and_temperature() -> None:
    # Torque follows current: voltage over resistance; copper +0.39 %/K (from memory).
    assert needed_pulse_s(3e-3, 12.0, 20.0) == pytest.approx(3e-3)
    assert needed_pulse_s(3e-3, 9.0, 20.0) == pytest.approx(4e-3)
    assert needed_pulse_s(3e-3, 12.0, 120.0) == pytest.approx(3e-3 * 1.39)
    # 4 ms is enough with the engine running at any temperature, not on a cranking battery.
    assert all(needed_pulse_s(3e-3, 13.8, t) < 4e-3 for t in (-20.0, 20.0, 110.0))
    assert needed_pulse_s(3e-3, 8.5, 60.0) > 4e-3
    draws = [step_is_lost(2e-3, 3e-3, 1.0, float(n)) for n in range(4000)]
    assert np.mean(draws) == pytest.approx(2.0 / 3.0, abs=0.03)
    assert not any(step_is_lost(3e-3, 3e-3, 1.0, float(n)) for n in range(100))
    assert all(step_is_lost(1.5e-3, 3e-3, 1.0, float(n)) for n in range(100))


def story_after(car: Car, seed: int) -> StartStory:
    """Four minutes from the key on, told."""
    return start_story(simulate(car, start_scenario(20.0, 240.0), seed=seed), car)


def test_a_homing_too_short_is_told_with_what_it_does_afterwards() -> None:
    car = with_values(load_car("trials"), {"valve": {"homing_steps": 85}})
    short = story_after(car, seed_for(car, 100.0)).offset
    assert short is not None
    assert short.steps == 15.0
    # All the trim there is cannot close so far: it stands at its limit, and the idle is fast.
    assert short.limited_share > 0.5
    assert short.error_rpm > 50.0
    assert short.closing_steps == 0.0
    assert "15 steps off" in said(short.told())
    assert "further open" in said(short.told())


def test_feedback_hides_a_small_offset_and_has_less_left_to_close_with() -> None:
    car = with_values(load_car("trials"), {"valve": {"homing_steps": 40}})
    small = story_after(car, seed_for(car, 44.0)).offset
    assert small is not None
    assert small.steps == 4.0
    assert abs(small.error_rpm) < 30.0
    long = with_values(car, {"valve": {"homing_steps": 150}})
    trace = simulate(long, start_scenario(20.0, 240.0), seed=seed_for(long, 44.0))
    assert start_story(trace, long).offset is None
    later = (trace.time_s > small.from_s) & (trace["enabled"] > 0.5)
    usual = float(np.mean(trace["trim_steps"][later]))
    assert small.trim_steps == pytest.approx(usual - 4.0, abs=1.5)


def test_the_bundled_hour_is_an_hour_from_the_key_on() -> None:
    hour = load_scenario("cold_hour")
    assert hour.start == "key_on"
    assert hour.duration_s == 3600.0
