"""The valve: steps that are lost, hard stops, backlash, timing, and the area that results."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim import Car, Scenario, Trace, equilibrium, load_car, simulate, with_values
from sim.prepare import valve_areas_m2
from sim.records import VALVE_TABLE_STEPS
from sim.valve import follow_shaft, needed_pulse_s, step_is_lost, table_area

COLD_STEPS, WARM_STEPS = 45.0, 15.0


def valve_car(law: str = "none", **valve: Any) -> Car:
    """The demo car on a base curve of 45 steps at 0 degC and 15 at 80 degC.

    Its throttle leaks enough for it to run with the valve shut: a stalled engine would be cranked.
    """
    return with_values(
        load_car("trials"),
        {
            "valve": valve,
            "throttle": {"leak_mm2": 16.0},
            "curves": {"base_steps": ((0.0, COLD_STEPS), (80.0, WARM_STEPS))},
            "feedback": {"law": law},
            "engine": {"scatter_share": 0.0},
        },
    )


def commanded_moves(car: Car, temperatures: list[float], seconds_each: float = 1.0) -> Trace:
    """Send the valve from place to place: one coolant temperature after another."""
    events: list[dict[str, Any]] = [
        {"at_s": 1.0 + seconds_each * index, "set": "coolant_degC", "to": degC}
        for index, degC in enumerate(temperatures)
    ]
    duration = 1.0 + seconds_each * len(temperatures)
    scenario = {"name": "moves", "duration_s": duration, "coolant_degC": 80.0, "event": events}
    return simulate(car, Scenario.model_validate(scenario))


def test_a_sound_valve_ends_where_it_was_told() -> None:
    trace = commanded_moves(valve_car(), [0.0, 80.0, 40.0])
    assert trace.valve_steps[-1] == 30.0
    assert trace.believed_steps[-1] == trace.shaft_steps[-1] == trace.pintle_steps[-1] == 30.0
    assert trace.believed_steps.max() == COLD_STEPS


def test_one_step_takes_pulse_and_rest() -> None:
    car = valve_car(pulse_ms=4.0, rest_ms=3.0)
    trace = commanded_moves(car, [0.0])
    moved = np.flatnonzero(np.diff(trace.believed_steps)) + 1
    assert len(moved) == COLD_STEPS - WARM_STEPS
    assert set(np.diff(trace.believed_steps)[moved - 1]) == {1.0}
    np.testing.assert_allclose(np.diff(trace.time_s[moved]), 0.007, atol=1e-9)
    told = trace.time_s[np.argmax(trace.valve_steps == COLD_STEPS)]
    assert trace.time_s[moved[0]] - told == pytest.approx(0.007, abs=1e-9)


def test_a_move_is_turned_round_on_its_way() -> None:
    # 30 steps of 20 ms take 0.6 s; after 0.3 s it is called back.
    trace = commanded_moves(valve_car(pulse_ms=15.0, rest_ms=5.0), [0.0, 80.0], seconds_each=0.3)
    assert 20.0 < trace.believed_steps.max() < 35.0


def test_needed_pulse() -> None:
    # Pull-in torque follows coil current, so volts over ohms (Acarnley, Stepping Motors, 4th ed.,
    # ch. 4); copper +0.39 %/K (from memory).
    assert needed_pulse_s(0.003, 12.0, 20.0) == pytest.approx(0.003)
    assert needed_pulse_s(0.003, 9.0, 20.0) == pytest.approx(0.004)
    assert needed_pulse_s(0.003, 12.0, 120.0) == pytest.approx(0.003 * 1.39)


@pytest.mark.parametrize(
    ("pulse_s", "least", "most"),
    [(0.004, 0, 0), (0.003, 0, 0), (0.00225, 420, 580), (0.0015, 1000, 1000), (0.0005, 1000, 1000)],
)
def test_steps_lost_by_pulse(pulse_s: float, least: int, most: int) -> None:
    # A pulse below about 3 ms may skip: common practice, no source. Midway between the needed pulse
    # and half of it, half of the steps are lost.
    lost = sum(step_is_lost(pulse_s, 0.003, 5.0, float(count)) for count in range(1000))
    assert least <= lost <= most


def test_a_short_pulse_leaves_the_valve_short_of_its_count() -> None:
    sound = commanded_moves(valve_car(pulse_ms=4.0), [0.0, 80.0, 0.0])
    weak = commanded_moves(valve_car(pulse_ms=2.4), [0.0, 80.0, 0.0])
    dead = commanded_moves(valve_car(pulse_ms=1.0), [0.0, 80.0, 0.0])
    assert sound.shaft_steps[-1] == COLD_STEPS
    assert weak.believed_steps[-1] == COLD_STEPS
    assert weak.shaft_steps[-1] != COLD_STEPS
    assert np.ptp(weak.shaft_steps) > 5.0
    assert np.ptp(dead.shaft_steps) == 0.0
    assert "step lost" in " ".join(event.text for event in weak.events)


def test_a_low_battery_loses_steps_that_a_good_one_does_not() -> None:
    car = valve_car(pulse_ms=3.5)
    good = Scenario.model_validate({"name": "x", "duration_s": 3.0, "coolant_degC": 0.0})
    events = [
        {"at_s": 0.5, "set": "regulated_V", "to": 8.0},
        {"at_s": 1.0, "set": "coolant_degC", "to": 80.0},
    ]
    trace = simulate(car, good.model_copy(update={"event": ()}))
    assert trace.shaft_steps[-1] == COLD_STEPS
    low = Scenario.model_validate({"name": "x", "duration_s": 3.0, "coolant_degC": 0.0, "event": events})
    trace = simulate(car, low)
    assert trace.believed_steps[-1] == WARM_STEPS
    assert trace.shaft_steps[-1] > WARM_STEPS


def test_hard_stops() -> None:
    # Travel ends at 40 and the controller asks for 45; then back to 15: five steps short.
    car = valve_car(travel_steps=40, useful_travel_steps=40, open_limit_steps=70)
    trace = commanded_moves(car, [0.0, 80.0])
    assert trace.shaft_steps.max() == 40.0
    assert trace.believed_steps.max() == COLD_STEPS
    assert trace.believed_steps[-1] == WARM_STEPS
    assert trace.shaft_steps[-1] == WARM_STEPS - 5.0


def test_the_seat_stops_the_valve_too() -> None:
    events = [
        {"at_s": 1.0, "set": "lost_steps", "to": 12.0},
        {"at_s": 1.5, "set": "coolant_degC", "to": 120.0},
        {"at_s": 2.5, "set": "coolant_degC", "to": 0.0},
    ]
    car = with_values(valve_car(), {"curves": {"base_steps": ((0.0, 45.0), (80.0, 15.0), (120.0, 2.0))}})
    scenario = {"name": "x", "duration_s": 4.0, "coolant_degC": 80.0, "event": events}
    trace = simulate(car, Scenario.model_validate(scenario))
    # 15 - 12 = 3 steps open; 13 steps down reach the seat after 3; 43 up again.
    assert trace.shaft_steps.min() == 0.0
    assert trace.shaft_steps[-1] == 43.0
    assert trace.believed_steps[-1] == 45.0


def test_wired_reversed_moves_the_wrong_way() -> None:
    trace = commanded_moves(valve_car(wired_reversed=True), [40.0])
    assert trace.believed_steps[-1] == 30.0
    assert trace.shaft_steps[-1] == 0.0  # 15 steps down to the seat


def test_a_sticking_valve_turns_its_shaft_only() -> None:
    events = [{"at_s": 1.0, "set": "valve_sticks", "to": 1}, {"at_s": 1.2, "set": "coolant_degC", "to": 0.0}]
    scenario = {"name": "x", "duration_s": 3.0, "coolant_degC": 80.0, "event": events}
    trace = simulate(valve_car(), Scenario.model_validate(scenario))
    assert trace.shaft_steps[-1] == COLD_STEPS
    assert trace.pintle_steps[-1] == WARM_STEPS


@given(st.lists(st.integers(-6, 6), min_size=1, max_size=60), st.sampled_from([0.0, 0.5, 1.0, 2.5, 7.0]))
def test_backlash_is_the_play_operator(moves: list[int], play: float) -> None:
    # The play operator (Gelb and Vander Velde, 1968): within the play the output rests, outside it
    # is carried along.
    shaft = pintle = reference = 50.0
    for move in moves:
        for _ in range(abs(move)):
            shaft += 1.0 if move > 0 else -1.0
            pintle = follow_shaft(shaft, pintle, play)
        reference = min(max(reference, shaft - play), shaft)
        assert pintle == reference
        assert shaft - play <= pintle <= shaft


def test_backlash_costs_its_width_at_each_reversal() -> None:
    trace = commanded_moves(valve_car(backlash_steps=3.0), [0.0, 80.0, 0.0])
    up, down = trace.shaft_steps == COLD_STEPS, trace.shaft_steps == WARM_STEPS
    assert trace.pintle_steps[-1] == COLD_STEPS - 3.0
    assert set(trace.pintle_steps[up]) == {COLD_STEPS - 3.0}
    assert set(trace.pintle_steps[down][5:]) <= {WARM_STEPS}


def test_area_follows_the_table_and_never_falls() -> None:
    car = load_car("trials")
    areas = valve_areas_m2(car)
    assert len(areas) == VALVE_TABLE_STEPS
    for steps, area_mm2 in car.valve.area_mm2:
        assert areas[int(steps)] * 1e6 == pytest.approx(area_mm2)
    assert (np.diff(areas) >= 0.0).all()
    assert table_area(areas, -3.0) == areas[0]
    assert table_area(areas, 20.25) == pytest.approx(0.75 * areas[20] + 0.25 * areas[21])
    assert table_area(areas, 1e6) == areas[-1]


def test_a_narrow_hose_in_series_takes_the_top_off_the_valve() -> None:
    free, choked = valve_car(), valve_car(series_mm2=8.0)
    opened = [equilibrium(car, 60.0)["rpm"] for car in (free, choked)]
    shut = [equilibrium(car, 8.0)["rpm"] for car in (free, choked)]
    assert opened[1] < 0.9 * opened[0]
    assert shut[1] > 0.98 * shut[0]
