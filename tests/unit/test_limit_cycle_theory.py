"""The odds of the lattice, the slow cycle in closed form, and what the predictions refuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from tests.shell_on_linear_plant import LoopCase, random_case, run_case
from tuning.loop.cycles import square_cycle
from tuning.loop.lattice import Treads, largest_of, largest_resting_move, smallest_useful_move
from tuning.loop.sampled_loop import SampledLaw
from tuning.loop.waveform_cycles import predicted_cycles


@given(st.floats(0.0, 200.0), st.integers(1, 10), st.floats(0.5, 100.0))
def test_chance_is_one_less_the_ratio_and_falls_with_the_deadband(
    deadband: float, move: int, step_rpm: float
) -> None:
    treads = Treads(move, step_rpm)
    chance = treads.restless_chance(deadband)
    # By throwing the dice: the nearest position's error is even over half a move either way.
    error = (np.arange(2000) + 0.5) / 2000 * treads.rpm - 0.5 * treads.rpm
    assert chance == pytest.approx(np.mean(np.abs(error) > deadband), abs=1.0e-3)
    assert treads.restless_chance(deadband + 1.0) <= chance
    assert Treads(move + 1, step_rpm).restless_chance(deadband) >= chance


def test_largest_of_many_normal_readings() -> None:
    assert largest_of(1.0, 0.05) == pytest.approx(norm.isf(0.025))
    z = largest_of(600.0, 0.05)
    assert (1.0 - 2.0 * norm.sf(z)) ** 600 == pytest.approx(0.95, abs=1e-9)
    assert 3.0 < z < 4.5


def test_smallest_deadband_and_largest_move_are_each_other_turned_round() -> None:
    assert Treads(2, 15.0).smallest_deadband_rpm() == 15.0
    wide = Treads(2, 15.0).smallest_deadband_rpm(8.0)
    assert wide == pytest.approx(15.0 + 8.0 * largest_of(600.0, 0.05))
    assert largest_resting_move(wide, 15.0, 8.0) == 2
    assert largest_resting_move(wide - 0.1, 15.0, 8.0) == 1
    assert largest_resting_move(5.0, 15.0) == 0


def test_smallest_useful_move_can_be_told_from_scatter() -> None:
    assert smallest_useful_move(20.0, 0.0) == 1
    assert smallest_useful_move(5.0, 13.0) == 3
    assert smallest_useful_move(5.0, 13.0, readings=9.0) == 1


def test_no_slow_cycle_where_a_position_rests_or_nothing_integrates() -> None:
    case = random_case(np.random.default_rng(4))
    plant, move = case.plant, 4
    slow = SampledLaw(0.05, 0.5, 0.1)
    tread_rpm = move * plant.rpm_per_step
    found = square_cycle(plant, slow, move, 0.4 * tread_rpm)
    assert found is not None
    assert found.low_s == pytest.approx(found.high_s, rel=1e-6)
    assert square_cycle(plant, slow, move, 0.6 * tread_rpm) is None
    assert square_cycle(plant, slow, move, 0.4 * tread_rpm, phase=0.3) is None
    assert square_cycle(plant, SampledLaw(0.05, 0.0, 0.1), move) is None
    assert square_cycle(plant, slow, 1) is None
    assert predicted_cycles(plant, slow, move, 0.6 * tread_rpm) == []


def test_slow_cycle_without_deadband_is_the_closed_form() -> None:
    plant = random_case(np.random.default_rng(4)).plant
    law, move = SampledLaw(0.05, 0.2, 0.1), 4
    tread_rpm = move * plant.rpm_per_step
    travel = move - 1.0 - law.gain_steps_per_rpm * tread_rpm
    td = plant.residence_time_s + 0.5 * (move - 1) * plant.valve_step_s
    for phase in (0.5, 0.2):
        cycle = square_cycle(plant, law, move, phase=phase)
        assert cycle is not None
        whole = travel / (law.integral_steps_per_rpm_s * tread_rpm) + td
        assert cycle.period_s == pytest.approx(whole / (phase * (1.0 - phase)), rel=1e-3)
        (all_harmonics,) = predicted_cycles(plant, law, move, phase=phase)
        assert all_harmonics.period_s == pytest.approx(cycle.period_s, rel=0.01)
        assert all_harmonics.peak_to_peak_rpm == pytest.approx(cycle.peak_to_peak_rpm, rel=0.01)


def test_the_simulation_of_the_tests_rests_on_target_without_rounding_trouble() -> None:
    # The judge must be right itself: with a fine enough deadband and target on a position it
    # finds that position and stays.
    case = random_case(np.random.default_rng(8))
    trial = LoopCase(case.plant, case.law, 1, 0.3 * case.plant.rpm_per_step, 4.0)
    run = run_case(trial, 120.0)
    assert np.all(run.commanded[60_000:] == 4.0)
    assert abs(run.rpm[-1]) < 0.01 * case.plant.rpm_per_step
