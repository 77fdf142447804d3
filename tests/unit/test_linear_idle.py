"""The linear idle plant and the sampled loop around it, each computed in two ways."""

from __future__ import annotations

import math
from dataclasses import replace

import control
import numpy as np
import pytest

from tests.control_plant import closed_loop_poles, pade_delay, state_space, transfer_function
from tests.shell_on_linear_plant import LoopCase as Case
from tests.shell_on_linear_plant import linear_idle, random_jacobian, run_case
from tuning.loop.linear import INPUTS, LinearIdle, mean_over, sensor_response, travel_response
from tuning.loop.sampled_loop import SampledLaw, held_response, loop, loop_response, margins, ultimate_gain

SEEDS = range(6)


def engine(seed: int) -> LinearIdle:
    return linear_idle(random_jacobian(np.random.default_rng(seed)))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("of", INPUTS)
def test_exact_response_agrees_with_the_pade_state_space(seed: int, of: str) -> None:
    plant = engine(seed)
    omega = np.geomspace(0.05, 12.0, 40)
    exact = plant.response(1j * omega, of, measured=False)
    rational = state_space(plant, 8, measured=False)[0, INPUTS.index(of)](1j * omega)
    assert exact == pytest.approx(rational, rel=1e-5)


@pytest.mark.parametrize("seed", SEEDS)
def test_reading_is_a_delay_of_one_firing_to_the_state_space(seed: int) -> None:
    plant = engine(seed)
    omega = 0.3 / plant.firing_interval_s
    exact = complex(sensor_response(plant, 1j * omega))
    lag = 1.0 / (1.0 + 1j * omega * plant.sensor_lag_s)
    delayed = lag * np.exp(-1j * omega * plant.firing_interval_s)
    assert np.angle(exact) == pytest.approx(np.angle(delayed), abs=1e-9)
    assert abs(exact) == pytest.approx(abs(delayed), rel=0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_poles_solve_the_characteristic_equation_with_the_exact_delay(seed: int) -> None:
    plant = engine(seed)
    for pole in plant.poles():
        late = np.exp(-pole * plant.delay_s)
        matrix = pole * np.eye(2) - plant.A - plant.A_delayed * late
        assert abs(np.linalg.det(matrix)) < 1e-6 * np.linalg.norm(matrix) ** 2


@pytest.mark.parametrize("seed", SEEDS)
def test_steady_gain_and_residence_time_are_those_of_a_simulated_step(seed: int) -> None:
    plant = engine(seed)
    # No feedback: the integral starts at one step and nothing moves it.
    still = SampledLaw(0.0, 0.0, 0.05)
    run = run_case(Case(plant, still, 1, 0.0, 0.0), 60.0, start_steps=1.0)
    rpm = run.rpm
    assert rpm[-1] == pytest.approx(plant.rpm_per_step, rel=1e-3)
    waited = float(np.sum(1.0 - rpm / rpm[-1]) * 1e-3)
    reading = plant.firing_interval_s + plant.sensor_lag_s
    assert waited + reading == pytest.approx(plant.residence_time_s, abs=0.01)


def test_load_slows_and_spark_and_leaks_speed_up() -> None:
    plant = linear_idle(replace(random_jacobian(np.random.default_rng(1)), spark_torque_per_deg=1.0))
    assert plant.response(0.0, "load_Nm").real < 0.0
    assert plant.response(0.0, "spark_deg").real > 0.0
    assert plant.response(0.0, "area_m2").real > 0.0
    assert plant.is_stable()


@pytest.mark.parametrize("seed", range(60))
def test_stable_is_what_the_poles_of_python_control_say(seed: int) -> None:
    rng = np.random.default_rng(seed)
    plain = random_jacobian(rng)
    jac = replace(
        plain,
        delay_s=plain.delay_s * rng.uniform(0.0, 8.0),
        charge_torque_per_Pa=plain.charge_torque_per_Pa * rng.uniform(0.5, 6.0),
        resisting_torque_per_rad_s=plain.resisting_torque_per_rad_s * rng.uniform(-3.0, 1.0),
    )
    plant = linear_idle(jac)
    slowest = max(state_space(plant, 8, measured=False).poles().real)
    assert plant.is_stable() == (slowest < 0.0), slowest


def test_an_engine_that_pulls_more_the_faster_it_runs_is_unstable() -> None:
    runaway = replace(
        random_jacobian(np.random.default_rng(1)),
        resisting_torque_per_rad_s=-2.0,
        pressure_rate_per_rad_s=0.0,
    )
    plant = linear_idle(runaway)
    assert not plant.is_stable()
    assert ultimate_gain(plant, SampledLaw(1.0, 1.0, 0.1)).multiplier == 0.0


def test_mean_is_a_zero_order_hold_and_continuous_at_rest() -> None:
    s = np.array([0.0, 1e-9j, 1e-5j, 2j, 1 + 1j])
    values = mean_over(s, 0.5)
    assert values[0] == 1.0
    assert values[2] == pytest.approx(1.0 - 0.25e-5j, abs=1e-10)
    assert values[4] == pytest.approx((1 - np.exp(-(0.5 + 0.5j))) / (0.5 + 0.5j))
    assert pade_delay(0.0, 4)(3j) == 1.0


def test_travel_takes_the_mean_time_of_its_steps() -> None:
    small = 1e-4
    late = travel_response(small * 1j, 0.01, 5)
    assert -np.angle(late) / small == pytest.approx(0.03, rel=1e-6)
    assert travel_response(2j, 0.0, 3) == 1.0


@pytest.mark.parametrize("seed", SEEDS)
def test_sampled_loop_agrees_with_python_control_at_the_samples(seed: int) -> None:
    plant = replace(engine(seed), valve_step_s=0.0, sensor_lag_s=0.0, firing_interval_s=1e-3)
    law = SampledLaw(3.0, 2.0, 0.1)
    held = control.sample_system(state_space(plant, 6, measured=False)[0, 0], 0.1)
    omega = np.geomspace(0.05, 0.8 * math.pi / 0.1, 30)
    z = np.exp(1j * omega * 0.1)
    ours = held_response(plant, 0.1, omega)
    # What is left is the reading's delay of a millisecond.
    assert ours * np.exp(1j * omega * 1e-3) == pytest.approx(held(z), rel=0.02)
    assert law.response(omega) == pytest.approx(transfer_function(law)(z))
    assert loop_response(plant, law, omega) == pytest.approx(law.response(omega) * ours)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("update_s", [0.05, 0.25])
def test_ultimate_gain_is_where_the_closed_loop_leaves_the_circle(seed: int, update_s: float) -> None:
    plant, law = engine(seed), SampledLaw(2.0, 1.5, update_s)
    border = ultimate_gain(plant, law)
    for factor, inside in ((0.97, True), (1.03, False)):
        poles = closed_loop_poles(plant, law.scaled(factor * border.multiplier))
        assert bool(np.max(np.abs(poles)) < 1.0) is inside
    there = margins(loop(plant, law.scaled(border.multiplier)))
    assert there.gain_margin == pytest.approx(1.0, abs=1e-4)
    assert there.phase_margin_deg == pytest.approx(0.0, abs=0.05)
    at_border = loop_response(plant, law.scaled(border.multiplier), 2.0 * math.pi / border.period_s)
    assert complex(at_border) == pytest.approx(-1.0, abs=1e-6)


def test_margins_of_a_loop_that_never_reaches_one_say_so() -> None:
    plant = engine(2)
    found = margins(loop(plant, SampledLaw(1e-4, 0.0, 0.1)))
    assert math.isinf(found.phase_margin_deg)
    assert found.sensitivity_peak == pytest.approx(1.0, abs=0.01)


def test_ultimate_gain_needs_a_gain() -> None:
    with pytest.raises(ValueError, match="all 0, allowed"):
        ultimate_gain(engine(2), SampledLaw(0.0, 0.0, 0.1))
