"""What a fit sees in a log beside speed: how that is read, the first move, the alternator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controllers import curve_at
from sim import Car, bundled_logs, load_car, with_values
from tests.foreign_engine import CUT_IN, make_engine
from tests.idle_records import foreign_log, guessed_car, log_of
from tests.invented_logs import record_plan
from tuning import diagnose, fit, read_log, recording_plan
from tuning.ensemble.plausible import CARRIES_ALL_W, plausible_cars
from tuning.identification.parameters import adjusted_area, valve_knots
from tuning.identification.scatter import read_in_rpm
from tuning.identification.stretches import SETTLING_s, find_stretches
from tuning.identification.verdict import moved_by_hand
from tuning.logs.log import Log


def idling(step_rpm: float, moves_s: tuple[float, ...] = (30.0, 40.0)) -> Log:
    """A minute of idling, read in steps; the valve goes to and fro at some times."""
    time_s = np.arange(0.05, 60.0, 0.05)
    rpm = 850.0 + 30.0 * np.random.default_rng(3).standard_normal(time_s.size)
    there = np.searchsorted(moves_s, time_s) % 2
    columns = {
        "time_s": time_s,
        "rpm": step_rpm * np.round(rpm / step_rpm),
        "valve_steps": 15.0 + 3.0 * there,
    }
    return log_of(columns)


@pytest.mark.parametrize(
    ("step_rpm", "seen_rpm"), [(1.0, 0.0), (4.0, 4.0), (10.0, 10.0), (12.0, 4.0), (25.0, 25.0)]
)
def test_steps_in_which_speed_is_read_are_seen(step_rpm: float, seen_rpm: float) -> None:
    assert read_in_rpm([idling(step_rpm)]) == seen_rpm


def test_few_readings_show_no_steps() -> None:
    log = idling(4.0)
    assert read_in_rpm([replace(log, rpm=np.where(log.rpm > 850.0, 900.0, 800.0))]) == 0.0


@pytest.mark.parametrize(
    ("moves_s", "from_s"), [((9.0, 20.0), 9.0), ((30.0, 40.0), SETTLING_s), ((1.0, 20.0), SETTLING_s)]
)
def test_what_is_before_an_early_first_move_is_left_out(moves_s: tuple[float, ...], from_s: float) -> None:
    (stretch,), _ = find_stretches([idling(1.0, moves_s)])
    assert stretch.time_s[stretch.used][0] == pytest.approx(from_s, abs=0.3)


def bends(area: tuple[tuple[float, float], ...]) -> float:
    """Largest factor between what neighbouring stretches of a table add a step."""
    steps, mm2 = np.array(area).T
    rise = np.diff(mm2) / np.diff(steps)
    assert np.all(rise >= 0.0)
    return float(np.max(rise[1:] / rise[:-1]))


def test_a_guessed_curve_loses_its_sharp_bend_and_keeps_its_size() -> None:
    car: Car = guessed_car(make_engine(101))
    base = car.curves.base_steps[-1][1]
    knots = valve_knots(np.arange(base - 4.0, base + 5.0), float(car.valve.open_limit_steps))
    smooth = adjusted_area(car, knots, np.zeros(knots.size))
    about = [(step, mm2) for step, mm2 in smooth if step <= base + 30.0]
    sharp = [(step, mm2) for step, mm2 in car.valve.area_mm2 if step <= base + 30.0]
    assert bends(tuple(sharp)) > 1.8, "as new makes it, the curve bends where the base curve ends"
    assert bends(tuple(about)) < 0.8 * bends(tuple(sharp))
    at = np.interp(base, *np.array(smooth).T) / np.interp(base, *np.array(car.valve.area_mm2).T)
    assert 0.6 < at < 1.4


def told(limit: float) -> Car:
    """A car whose log told efficiency and the alternator's limit so well."""
    return with_values(
        load_car("trials"), {"uncertainty": {"electrics": {"efficiency": 0.15, "alternator_max_W": limit}}}
    )


def test_every_second_car_carries_all_loads_where_the_log_does_not_tell_the_limit() -> None:
    carried = [one.electrics.alternator_max_W == CARRIES_ALL_W for one in plausible_cars(told(0.5), 9).cars]
    assert carried == [False, True] * 4 + [False]
    known = plausible_cars(told(0.03), 9).cars
    assert not any(one.electrics.alternator_max_W == CARRIES_ALL_W for one in known)


def test_what_the_base_load_takes_from_the_crank_is_kept_where_a_log_told_it() -> None:
    cars = plausible_cars(told(0.5), 9).cars
    at_crank_W = [one.electrics.base_W / one.electrics.efficiency for one in cars]
    assert np.ptp([one.electrics.efficiency for one in cars]) > 0.1
    assert at_crank_W == pytest.approx([at_crank_W[0]] * 9, rel=1e-6)


def test_a_limit_that_the_engine_does_not_have_is_fitted_away() -> None:
    # Its alternator gives what is asked; that of the guess is at its limit at idle with lamps on.
    engine = make_engine(711)
    engine.numbers[CUT_IN] = 1.0
    guess = guessed_car(engine)
    found = fit(guess, foreign_log(engine, recording_plan(guess), 711)).car
    assert found.electrics.alternator_max_W > 1.3 * guess.electrics.alternator_max_W


@pytest.mark.parametrize("lag_s", [0.06, 0.6])
def test_how_quickly_the_alternator_follows_is_fitted_where_the_load_was_recorded(lag_s: float) -> None:
    car = load_car("trials")
    truth = with_values(car, {"electrics": {"lag_s": lag_s}})
    log = log_of(record_plan(truth, recording_plan(car), seed=6))
    found = fit(car, log)
    assert found.car.electrics.lag_s == pytest.approx(lag_s, rel=0.5)
    assert abs(np.log(car.electrics.lag_s / lag_s)) > np.log(2.0), "the guess is farther off"
    unaware = fit(car, replace(log, load_W=None)).car
    assert unaware.electrics.lag_s == car.electrics.lag_s


def test_a_recording_is_moved_by_hand_and_hunting_is_not() -> None:
    recording, hunting = (
        next(read_log(file) for file in bundled_logs() if word in str(file))
        for word in ("recording", "hunting")
    )
    assert moved_by_hand(recording)
    assert not moved_by_hand(hunting)
    assert not moved_by_hand(replace(recording, valve_steps=np.full(recording.rpm.size, 12.0)))
    even = replace(recording, valve_steps=np.where(recording.time_s % 20.0 > 10.0, 15.0, 12.0))
    assert not moved_by_hand(even), "equal moves are what hunting makes"


@pytest.mark.parametrize("seed", [832, 833, 834, 835, 836, 837])
def test_a_recording_as_planned_is_not_taken_for_hunting(seed: int) -> None:
    engine = make_engine(seed)
    guess = guessed_car(engine)
    log = foreign_log(engine, recording_plan(guess), seed)
    assert diagnose(log, guess).hunting is False


@pytest.mark.parametrize(("duration_s", "holds"), [(60.0, 20), (180.0, 20), (300.0, 35)])
def test_a_recording_with_less_time_has_fewer_holds(duration_s: float, holds: int) -> None:
    plan = recording_plan(load_car("trials"), duration_s)
    assert len(plan.holds) == holds
    assert plan.duration_s == pytest.approx(duration_s, abs=0.5)


@pytest.mark.parametrize(
    ("name", "keys", "watts"), [("trials", "screen, fan", 270.0), ("twin", "lamps", 100.0)]
)
def test_a_recording_has_loads_on_together_with_the_valve_opened_before(
    name: str, keys: str, watts: float
) -> None:
    # Nearest to the 190 W a litre of the score, from 130, 140 and 150 W on 1.3 l and from 100 W.
    car = load_car(name)
    holds = recording_plan(car).holds
    place = max(number for number, one in enumerate(holds) if one.load)
    before, together, after = holds[place - 1 : place + 2]
    assert (together.load, together.load_W) == (keys, watts)
    assert before.steps == together.steps == after.steps > recording_plan(car).base_steps
    assert together.expected_rpm >= curve_at(car.curves.target_rpm, 90.0)
    assert not before.load
    assert not after.load


def test_the_valve_is_not_opened_wide_where_an_engine_cannot_carry_its_loads() -> None:
    weak = with_values(
        load_car("trials"), {"loads": {"lamps_W": 1500.0, "fan_W": 0.0, "screen_W": 0.0},
                             "electrics": {"alternator_max_W": 4000.0}}
    )  # fmt: skip
    plan = recording_plan(weak)
    assert max(one.steps for one in plan.holds) < weak.valve.open_limit_steps
    target_rpm = curve_at(weak.curves.target_rpm, 90.0)
    assert max(one.expected_rpm for one in plan.holds) < target_rpm + 450.0
