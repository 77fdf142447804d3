"""Parts of an explanation: positions against deadband, laws as theory sees them, changed copies."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim import Car, load_car, simulate, with_values
from sim.linearise import settled_rpm
from sim.scenario import Scenario
from tests.control_plant import transfer_function
from tuning.explanation.ends import STILL_rpm, ends_of, even_phases, run_phases, without_scatter
from tuning.explanation.resolution import (
    bracket,
    creeping_period_s,
    hunting_expected,
    resolution_view,
    resting_exists,
)
from tuning.explanation.switches import finer_valve, switches
from tuning.loop.point import IdlePoint, idle_point, with_rpm_per_step
from tuning.loop.sampled_loop import linear_law, resting_deadband_rpm, tread_steps
from tuning.loop.view import border, linear_view


def with_feedback(**settings: object) -> Car:
    return with_values(load_car("trials"), {"feedback": settings})


def warm(car: Car) -> IdlePoint:
    point = idle_point(car)
    assert point is not None
    return point


def test_the_bracket_is_the_pair_of_positions_around_the_target() -> None:
    rpm = np.array([700.0, 720.0, 740.0, 760.0, 780.0, 800.0, 820.0])
    place = bracket(rpm, 775.0, on_lattice=4, move_steps=3)
    assert place is not None
    assert (place.low_steps, place.rpm_per_step) == (1.0, 20.0)
    assert place.phase == pytest.approx(55.0 / 60.0)
    assert bracket(rpm, 690.0, 0, 3) is None
    assert bracket(rpm, 900.0, 0, 3) is None


def test_rest_exists_where_a_position_of_the_lattice_is_in_the_deadband() -> None:
    rpm = 700.0 + 20.0 * np.arange(10.0)
    assert resting_exists(rpm, 775.0, 5.0, on_lattice=7, move_steps=3)  # 780 at position 4
    assert not resting_exists(rpm, 775.0, 14.9, on_lattice=0, move_steps=3)  # 760 and 820
    assert resting_exists(rpm, 775.0, 15.0, on_lattice=0, move_steps=3)


def test_chance_over_evenly_worth_steps_is_that_of_the_ratio() -> None:
    # With steps all worth the same the share of phases without rest is 1 - r (geometry).
    car = with_feedback(min_move_steps=4, deadband_rpm=20.0)
    point = warm(car)
    even = point.needed_steps + (point.rpm - point.target_rpm) / 20.0
    straight = IdlePoint(
        **{
            **vars(point),
            "rpm": point.target_rpm + 20.0 * (point.positions - point.needed_steps),
            "opening_mm2": point.positions.copy(),
        }
    )
    assert even.size == straight.rpm.size
    told = hunting_expected(car, straight, even_phases(car, straight, 400))
    assert np.mean(told) == pytest.approx(1.0 - 2.0 * 20.0 / (4 * 20.0), abs=0.01)


def test_a_cycle_slower_than_a_minute_is_not_called_hunting() -> None:
    car = with_feedback(integral_steps_per_100rpm_s=0.02, gain_steps_per_100rpm=0.0)
    point = warm(car)
    assert not any(hunting_expected(car, point, even_phases(car, point, 12)))
    place = bracket(point.rpm, point.target_rpm, 0, tread_steps(car))
    assert place is not None
    below, above = (place.phase * 4 * place.rpm_per_step, (1 - place.phase) * 4 * place.rpm_per_step)
    # 3 steps there and 3 back at 0.02 steps a second for each 100 rpm.
    expected = 3.0 / 0.0002 * (1.0 / below + 1.0 / above)
    assert creeping_period_s(car, place) == pytest.approx(expected)


def test_scatter_widens_the_deadband_that_rests() -> None:
    car = load_car("trials")
    point = warm(car)
    phases = even_phases(car, point, 8)
    still, noisy = (resolution_view(car, point, phases, s) for s in (0.0, 15.0))
    assert still.smallest_deadband_rpm == pytest.approx(2.0 * point.rpm_per_step)
    assert still.smallest_deadband_with_scatter_rpm == still.smallest_deadband_rpm
    assert noisy.smallest_deadband_with_scatter_rpm > still.smallest_deadband_rpm + 3.0 * 15.0
    assert noisy.deadband_in_scatters == pytest.approx(25.0 / 15.0)
    assert math.isinf(still.deadband_in_scatters)


def test_phases_move_the_need_over_one_whole_move() -> None:
    car = with_feedback(min_move_steps=6)
    point = warm(car)
    phases = even_phases(car, point, 12)
    shifts = 6.0 * (np.arange(0.5, 12.0) / 12.0 - 0.5)
    for shift, leak in zip(shifts, phases, strict=True):
        leaky = with_values(car, {"throttle": {"leak_mm2": car.throttle.leak_mm2 + leak}})
        moved = warm(leaky)
        assert moved.needed_steps - point.needed_steps == pytest.approx(shift, abs=0.02)


def test_the_derivative_is_seen_in_both_forms_of_the_law() -> None:
    law = linear_law(with_feedback(law="pid", derivative_steps_s_per_100rpm=2.0))
    assert law is not None
    assert law.derivative_steps_s_per_100rpm == 2.0
    omega = np.array([0.3, 3.0, 20.0])
    z = np.exp(1j * omega * law.update_period_s)
    assert law.response(omega) == pytest.approx(transfer_function(law)(z))
    assert law.scaled(2.0).response(omega) == pytest.approx(2.0 * law.response(omega))


def test_laws_as_theory_sees_them() -> None:
    assert linear_law(with_feedback(law="none")) is None
    assert linear_law(with_feedback(gain_steps_per_100rpm=0.0, integral_steps_per_100rpm_s=0.0)) is None
    # 1 step each 100 ms at an error of 40 rpm: 10 steps/s for 40 rpm, so 25 for 100 rpm.
    nudge = linear_law(with_feedback(law="nudge", deadband_rpm=40.0))
    assert nudge is not None
    assert nudge.integral_steps_per_100rpm_s == pytest.approx(25.0)
    assert tread_steps(with_feedback(law="nudge", nudge_steps=3, min_move_steps=4)) == 6
    # 1.1 times half of 4 steps worth 30 rpm each, see law pi_park.
    parked = with_feedback(law="pi_park", rpm_per_step=30.0, min_move_steps=4)
    assert resting_deadband_rpm(parked) == pytest.approx(66.0)


def test_worth_of_a_step_is_set_without_touching_the_rest() -> None:
    plant = warm(load_car("trials")).plant
    other = with_rpm_per_step(plant, 7.0)
    assert other.rpm_per_step == pytest.approx(7.0)
    assert other.response(1j, of="load_Nm") == plant.response(1j, of="load_Nm")


def test_margins_agree_between_views() -> None:
    car = load_car("trials")
    point = warm(car)
    view = linear_view(car, point)
    assert view.here.gain_margin == pytest.approx(view.here.border_multiplier, rel=1e-3)
    assert view.border_without_valve_time > view.here.border_multiplier
    assert {row.coolant_degC for row in view.rows} == {90.0, 50.0, 20.0}
    assert min(row.border_multiplier for row in view.rows) <= view.here.border_multiplier
    # Gains at the border are gains at the border.
    times = view.here.border_multiplier
    there = with_feedback(gain_steps_per_100rpm=4.0 * times, integral_steps_per_100rpm_s=3.0 * times)
    assert border(point, linear_law(there), 4).multiplier == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
def test_a_finer_valve_is_the_same_valve(name: str) -> None:
    car = load_car(name)
    fine, n = finer_valve(car)
    assert n > 1
    assert fine.feedback.min_move_steps == 1
    places = np.arange(0.0, car.valve.travel_steps + 1.0, 5.0)
    # Only the straight lines between whole positions of the area table differ.
    assert settled_rpm(fine, places * n) == pytest.approx(settled_rpm(car, places), rel=2e-3)
    assert fine.valve.pulse_ms * n == pytest.approx(car.valve.pulse_ms)
    assert fine.feedback.gain_steps_per_100rpm == car.feedback.gain_steps_per_100rpm * n


def test_each_switch_changes_what_its_name_says_and_nothing_else() -> None:
    car = load_car("twin")
    point = warm(car)
    made = {one.key: one.car for one in switches(car, linear_view(car, point, quick=True), {})}
    assert made["as_is"] == car
    assert made["backlash"].valve.backlash_steps == 0.0
    assert made["feedback"].feedback.law == "none"
    assert made["valve_speed"].valve.pulse_ms + made["valve_speed"].valve.rest_ms < 1.0
    assert made["quicker_updates"].feedback.update_period_ms == 25.0
    # Its gains are 6.9 times below the border already.
    assert made["gains"] == car
    assert "both" not in made
    for key, changed in made.items():
        assert changed.engine == car.engine, key


def test_ends_of_runs_are_told_apart() -> None:
    hunting = with_feedback(min_move_steps=6, deadband_rpm=5.0)
    cars = [hunting, with_feedback(law="none")]
    point = warm(hunting)
    phases = even_phases(hunting, point, 4)
    runs = run_phases([without_scatter(c) for c in cars], phases, coolant_degC=90.0)
    ends = ends_of(runs)
    assert ends.hunting.tolist() == [True] * 4 + [False] * 4
    assert np.all(ends.swing_rpm[:4] > 60.0)
    assert np.all(ends.swing_rpm[4:] == 0.0)
    assert np.all(ends.high_steps[:4] - ends.low_steps[:4] >= 6.0)
    # The same swing and period, read from the narrated run of one phase.
    leak = hunting.throttle.leak_mm2 + phases[2]
    there = with_values(without_scatter(hunting), {"throttle": {"leak_mm2": leak}})
    trace = simulate(there, Scenario(name="idle", duration_s=120.0))
    late = trace.time_s > 60.0
    assert np.ptp(trace["rpm"][late]) == pytest.approx(ends.swing_rpm[2], abs=STILL_rpm)
