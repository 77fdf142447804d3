"""Describing functions of the shell, the odds of the lattice, and what the predictions refuse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import norm

from tests.shell_on_linear_plant import LoopCase, random_case, run_case
from tuning.loop.cycles import relay_cycles, square_cycle
from tuning.loop.describing import (
    balanced_offset,
    dead_zone_gain,
    deadband_gain,
    memory_staircase,
    staircase_gain,
)
from tuning.loop.lattice import (
    largest_of,
    largest_resting_move,
    lattice_chance,
    lattices,
    resolution_ratio,
    smallest_resting_deadband,
    smallest_useful_move,
)
from tuning.loop.sampled_loop import SampledPI, loop_response
from tuning.loop.staircase_cycles import shell_gain, staircase_cycles
from tuning.loop.waveform_cycles import waveform_cycles

UPDATE_s = 0.02


def stepped_shell_gain(
    amplitude: float, omega: float, law: SampledPI, move: int, deadband: float, mean: float
) -> complex:
    """First harmonic of the commanded position over that of the error, step by step.

    The published semantics of table [feedback] on a sine, without limits; ``mean`` is the wanted
    position about which the integral swings.
    """
    count = round(2.0 * math.pi / omega / law.update_period_s)
    angle = 2.0 * math.pi * np.arange(count) / count
    integral, commanded, drift = 0.0, 0.0, 0.0
    seen: list[float] = []
    for turn in range(3):
        seen, total = [], 0.0
        if turn == 1:  # now that the swing is centred: start on a multiple of the move
            commanded = float(move * round((mean - drift + integral) / move))
        for phase in angle:
            error = amplitude * math.sin(phase)
            error = error if abs(error) > deadband else 0.0
            integral += law.integral_steps_per_rpm_s * error * law.update_period_s
            total += integral
            wanted = math.floor(law.gain_steps_per_rpm * error + integral + mean - drift + 0.5)
            if abs(wanted - commanded) >= move:
                commanded = wanted
            seen.append(commanded)
        drift = total / count if turn == 0 else drift
    wave = np.asarray(seen)
    return complex(2.0 / count * np.sum(wave * np.exp(-1j * angle)) * 1j / amplitude)


@pytest.mark.parametrize("move", [1, 3])
@pytest.mark.parametrize("deadband_share", [0.0, 0.5])
@pytest.mark.parametrize("treads", [1, 2, 3])
def test_product_of_describing_functions_is_the_shell_run_step_by_step(
    move: int, deadband_share: float, treads: int
) -> None:
    law, omega = SampledPI(4.0, 6.0, UPDATE_s), 2.0 * math.pi / 6.0
    # Half way between the amplitudes at which two more positions come into reach.
    wanted = 0.5 * (move - 1) + (treads - 0.5) * move
    acting = wanted / abs(complex(law.response(omega)))
    amplitude = acting / float(deadband_gain(1.0, deadband_share))
    deadband = deadband_share * amplitude
    stepped = stepped_shell_gain(amplitude, omega, law, move, deadband, 0.5 * move)
    closed = complex(shell_gain(np.asarray(amplitude), np.asarray(omega), law, move, deadband))
    assert abs(stepped / closed - 1.0) < 0.18
    if deadband_share == 0.0:
        assert abs(stepped / closed - 1.0) < 0.06


@given(st.floats(0.01, 50.0), st.floats(0.01, 10.0))
def test_deadband_passes_more_than_the_dead_zone_and_less_than_all(
    amplitude: float, width: float
) -> None:
    ours, textbook = float(deadband_gain(amplitude, width)), float(dead_zone_gain(amplitude, width))
    assert -1e-12 <= textbook <= ours + 1e-12 <= 1.0 + 2e-12
    if amplitude <= width:
        assert ours == 0.0


@given(st.integers(1, 6), st.floats(0.0, 20.0), st.floats(-0.5, 0.5))
def test_staircase_gain_is_passive_lagging_and_tends_to_one(
    move: int, amplitude: float, offset: float
) -> None:
    hysteresis = 0.5 * (move - 1)
    gain = complex(staircase_gain(amplitude, move, hysteresis, offset * move))
    assert gain.real >= 0.0
    assert gain.imag <= 1e-12
    assert memory_staircase(move, offset * move).describing_function(amplitude) == gain
    large = complex(staircase_gain(300.0 * move, move, hysteresis, offset * move))
    assert large == pytest.approx(1.0, abs=0.01)


@given(st.integers(1, 5), st.floats(0.6, 6.0), st.floats(0.05, 0.95))
def test_balanced_offset_puts_the_mean_position_where_it_is_wanted(
    move: int, treads: float, phase: float
) -> None:
    hysteresis = 0.5 * (move - 1)
    amplitude = treads * move + hysteresis
    offset = float(balanced_offset(amplitude, move, hysteresis, phase))
    edges = np.abs(np.arange(-9, 10) * move - offset) + hysteresis
    assume(np.min(np.abs(amplitude - edges)) > 0.05 * move)  # there a position is hit or missed
    staircase = memory_staircase(move, offset)
    wave = amplitude * np.sin(np.linspace(0.0, 2.0 * np.pi, 4000, endpoint=False))
    for x in wave:
        staircase(x)
    mean = np.mean([staircase(x) for x in wave])
    assert mean == pytest.approx(phase * move, abs=0.01 * move)


@pytest.mark.parametrize("bad", [-0.1, -5.0])
def test_amplitudes_and_widths_below_nothing_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="amplitude"):
        deadband_gain(bad, 1.0)
    with pytest.raises(ValueError, match="width"):
        deadband_gain(1.0, bad)
    with pytest.raises(ValueError, match="amplitude"):
        staircase_gain(bad, 1.0)
    with pytest.raises(ValueError, match="tread, hysteresis"):
        staircase_gain(1.0, 1.0, bad)
    with pytest.raises(ValueError, match="min_move_steps"):
        memory_staircase(0)


@given(st.floats(0.0, 200.0), st.integers(1, 10), st.floats(0.5, 100.0))
def test_chance_is_one_less_the_ratio_and_falls_with_the_deadband(
    deadband: float, move: int, step_rpm: float
) -> None:
    chance = lattice_chance(deadband, move, step_rpm)
    assert chance == pytest.approx(max(0.0, 1.0 - resolution_ratio(deadband, move, step_rpm)))
    assert lattice_chance(deadband + 1.0, move, step_rpm) <= chance
    assert lattice_chance(deadband, move + 1, step_rpm) >= chance


def test_chance_under_scatter_against_throwing_dice() -> None:
    rng = np.random.default_rng(3)
    deadband, move, step_rpm, scatter, looks = 20.0, 2, 12.0, 6.0, 5
    error = rng.uniform(-12.0, 12.0, 40_000)
    readings = error[:, None] + rng.normal(0.0, scatter, (error.size, looks))
    drawn_out = np.mean(np.any(np.abs(readings) > deadband, axis=1))
    found = lattice_chance(deadband, move, step_rpm, scatter, looks)
    assert found == pytest.approx(drawn_out, abs=0.01)
    assert lattice_chance(deadband, move, step_rpm, 1e-6, looks) == pytest.approx(0.0, abs=1e-6)
    assert lattice_chance(6.0, move, step_rpm, 1e-3) == pytest.approx(0.5, abs=5e-3)


def test_every_lattice_is_told_with_its_phase_and_whether_it_rests() -> None:
    found = lattices(7.3, 6.0, 3, 10.0)
    assert [one.offset_steps for one in found] == [0, 1, 2]
    assert [one.phase for one in found] == pytest.approx([0.4333, 0.1, 0.7667], abs=1e-4)
    assert [one.rests for one in found] == [False, True, False]


def test_largest_of_many_normal_readings() -> None:
    assert largest_of(1.0, 0.05) == pytest.approx(norm.isf(0.025))
    z = largest_of(600.0, 0.05)
    assert (1.0 - 2.0 * norm.sf(z)) ** 600 == pytest.approx(0.95, abs=1e-9)
    assert 3.0 < z < 4.5


def test_smallest_deadband_and_largest_move_are_each_other_turned_round() -> None:
    assert smallest_resting_deadband(2, 15.0) == 15.0
    wide = smallest_resting_deadband(2, 15.0, 8.0)
    assert wide == pytest.approx(15.0 + 8.0 * largest_of(600.0, 0.05))
    assert largest_resting_move(wide, 15.0, 8.0) == 2
    assert largest_resting_move(wide - 0.1, 15.0, 8.0) == 1
    assert largest_resting_move(5.0, 15.0) == 0


def test_smallest_useful_move_can_be_told_from_scatter() -> None:
    assert smallest_useful_move(20.0, 0.0) == 1
    assert smallest_useful_move(5.0, 13.0) == 3
    assert smallest_useful_move(5.0, 13.0, readings=9.0) == 1


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: lattice_chance(-1.0, 1, 10.0), "deadband_rpm"),
        (lambda: lattice_chance(1.0, 0, 10.0), "min_move_steps"),
        (lambda: lattice_chance(1.0, 1, 0.0), "rpm_per_step"),
        (lambda: lattice_chance(1.0, 1, 10.0, 1.0, 0.0), "looks"),
        (lambda: smallest_resting_deadband(1, 10.0, -1.0), "scatter_rpm"),
        (lambda: largest_of(0.0, 0.05), "looks"),
        (lambda: largest_of(10.0, 1.0), "chance"),
        (lambda: smallest_useful_move(10.0, 1.0, 0.0), "readings"),
    ],
)
def test_impossible_lattices_are_refused_by_name(call: object, name: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=rf"{name}.*allowed"):
        call()


def test_no_slow_cycle_where_a_position_rests_or_nothing_integrates() -> None:
    case = random_case(np.random.default_rng(4))
    plant, move = case.plant, 4
    slow = SampledPI(0.05, 0.5, 0.1)
    tread_rpm = move * plant.rpm_per_step
    found = square_cycle(plant, slow, move, 0.4 * tread_rpm)
    assert found is not None
    assert found.low_s == pytest.approx(found.high_s, rel=1e-6)
    assert square_cycle(plant, slow, move, 0.6 * tread_rpm) is None
    assert square_cycle(plant, slow, move, 0.4 * tread_rpm, phase=0.3) is None
    assert square_cycle(plant, SampledPI(0.05, 0.0, 0.1), move) is None
    assert square_cycle(plant, slow, 1) is None
    assert waveform_cycles(plant, slow, move, 0.6 * tread_rpm) == []


def test_slow_cycle_without_deadband_is_the_closed_form() -> None:
    plant = random_case(np.random.default_rng(4)).plant
    law, move = SampledPI(0.05, 0.2, 0.1), 4
    tread_rpm = move * plant.rpm_per_step
    travel = move - 1.0 - law.gain_steps_per_rpm * tread_rpm
    td = plant.residence_time_s + 0.5 * (move - 1) * plant.valve_step_s
    for phase in (0.5, 0.2):
        cycle = square_cycle(plant, law, move, phase=phase)
        assert cycle is not None
        whole = travel / (law.integral_steps_per_rpm_s * tread_rpm) + td
        assert cycle.period_s == pytest.approx(whole / (phase * (1.0 - phase)), rel=1e-3)
        (all_harmonics,) = waveform_cycles(plant, law, move, phase=phase)
        assert all_harmonics.period_s == pytest.approx(cycle.period_s, rel=0.01)
        assert all_harmonics.peak_to_peak_rpm == pytest.approx(cycle.peak_to_peak_rpm, rel=0.01)


def test_relay_balance_meets_its_own_equation() -> None:
    case = random_case(np.random.default_rng(6))
    found = relay_cycles(case.plant, case.law, 2)
    assert found
    for cycle in found:
        value = complex(loop_response(case.plant, case.law, 2.0 * math.pi / cycle.period_s, 2))
        gain = complex(staircase_gain(cycle.wanted_amplitude_steps, 2.0, 0.5))
        assert value * gain == pytest.approx(-1.0, abs=1e-6)


def test_staircase_finds_the_relay_cycle_midway() -> None:
    case = random_case(np.random.default_rng(6))
    relay = relay_cycles(case.plant, case.law, 2)
    whole = staircase_cycles(case.plant, case.law, 2)
    for cycle in relay:
        if cycle.positions == 2:
            assert any(other.period_s == pytest.approx(cycle.period_s, rel=1e-3) for other in whole)


@pytest.mark.parametrize(
    ("move", "deadband", "phase", "name"),
    [(0, 0.0, 0.5, "min_move_steps"), (1, -1.0, 0.5, "deadband_rpm"), (1, 0.0, 1.0, "phase")],
)
def test_impossible_shells_are_refused(move: int, deadband: float, phase: float, name: str) -> None:
    case = random_case(np.random.default_rng(6))
    for predict in (square_cycle, waveform_cycles, staircase_cycles):
        with pytest.raises(ValueError, match=rf"{name}: .*allowed"):
            predict(case.plant, case.law, move, deadband, phase)


def test_the_simulation_of_the_tests_rests_on_target_without_rounding_trouble() -> None:
    # The judge must be right itself: with a fine enough deadband and target on a position it
    # finds that position and stays.
    case = random_case(np.random.default_rng(8))
    trial = LoopCase(case.plant, case.law, 1, 0.3 * case.plant.rpm_per_step, 4.0)
    run = run_case(trial, 120.0)
    assert np.all(run.commanded[60_000:] == 4.0)
    assert abs(run.rpm[-1]) < 0.01 * case.plant.rpm_per_step
