"""Control theory against published values: linear models, limit cycles, rules, measures."""

from __future__ import annotations

import math
import warnings

import control
import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import lfilter

from tests.control_plant import closed_loop_poles, state_space
from tests.shell_on_linear_plant import IdleJacobian, LoopCase, linear_idle, run_case, seen_cycle
from tuning.loop.cycles import square_cycle
from tuning.loop.linear import LinearIdle, RPM_PER_rad_s
from tuning.loop.rules import FirstOrderDelay, amigo_pi, half_rule, simc_pi
from tuning.loop.sampled_loop import SampledLaw, loop, margins, ultimate_gain
from tuning.loop.waveform_cycles import predicted_cycles
from tuning.measures.swings import LAG_BLOCK, regularity

# Six-cylinder idle model, parameters of J. A. Cook and B. K. Powell, "Modeling of an internal
# combustion engine for control analysis", IEEE Control Systems Magazine 8(4), 1988, as given in two
# public course codes (lb/h, psi, ft lbf, rpm):
#   dP/dt = -P/0.21 + 0.776 (20 a - 0.08 N)
#   dN/dt = -N/3.98 + 67.2 (13.37 P + 10 spark + 36.6 fuel - load);   delay 0.033 s, left out in
#   s^2 + 5.01316 s + 56.9731, poles -2.5066 +- 7.1197j, damping .332 and DC gains throttle 244.75,
#   spark 56.17, load -5.6167 rpm a unit (computed from the parameters).
COOK_POWELL_POLE = -2.5066 + 7.1197j


def cook_powell(delay_s: float = 0.0, firing_interval_s: float = 1e-6) -> LinearIdle:
    inertia = RPM_PER_rad_s / 67.2
    return linear_idle(
        IdleJacobian(
            pressure_rate_per_Pa=-1.0 / 0.21,
            pressure_rate_per_rad_s=-0.776 * 0.08 * RPM_PER_rad_s,
            pressure_rate_per_m2=0.776 * 20.0,
            charge_torque_per_Pa=13.37,
            charge_torque_per_rad_s=0.0,
            resisting_torque_per_rad_s=inertia / 3.98,
            area_per_step_m2=1.0,
            inertia_kg_m2=inertia,
            delay_s=delay_s,
            firing_interval_s=firing_interval_s,  # the published model reads speed at once
            spark_torque_per_deg=10.0,
        )
    )


def test_six_cylinder_model_has_its_poles_damping_and_gains() -> None:
    plant = cook_powell()
    pole = plant.poles()[0]
    assert pole.real == pytest.approx(COOK_POWELL_POLE.real, abs=5e-5)
    assert abs(pole.imag) == pytest.approx(COOK_POWELL_POLE.imag, abs=5e-5)
    assert -pole.real / abs(pole) == pytest.approx(0.332, abs=5e-4)
    polynomial = np.poly(plant.poles()).real
    assert polynomial == pytest.approx([1.0, 5.01316, 56.9731], abs=5e-5)
    assert plant.rpm_per_step == pytest.approx(244.75, abs=5e-3)
    assert plant.response(0.0, "spark_deg").real == pytest.approx(56.17, abs=5e-3)
    assert plant.response(0.0, "load_Nm").real == pytest.approx(-5.6167, abs=5e-5)


@pytest.mark.parametrize("delay_s", [0.0, 0.033])
def test_margins_of_the_six_cylinder_loop_agree_with_python_control(delay_s: float) -> None:
    # control.margin works on polynomials, the delay a Pade fraction; ours on the exact response.
    plant = cook_powell(delay_s)
    law = control.tf([0.08, 0.25], [1.0, 0.0]) * 0.01
    rational = control.tf(law * state_space(plant, 8, measured=False)[0, 0])
    gain, phase, w_phase, w_gain = control.margin(rational)
    omega = np.geomspace(0.01, 200.0, 3000)
    exact = law(1j * omega) * plant.response(1j * omega)
    ours = margins(control.frd(exact, omega, smooth=True))
    assert ours.gain_margin == pytest.approx(gain, rel=1e-4)
    assert ours.phase_margin_deg == pytest.approx(phase, rel=1e-4)
    assert ours.gain_crossover_rad_s == pytest.approx(w_gain, rel=1e-4)
    if delay_s > 0.0:
        assert ours.phase_crossover_rad_s == pytest.approx(w_phase, rel=1e-4)
    else:
        assert math.isinf(gain)


def test_ultimate_gain_of_the_sampled_six_cylinder_loop_is_where_its_poles_leave_the_circle() -> None:
    plant, law = cook_powell(0.033, 0.033), SampledLaw(0.08, 0.25, 0.02)
    border = ultimate_gain(plant, law)
    assert border.multiplier == pytest.approx(margins(loop(plant, law)).gain_margin, rel=1e-6)

    def outermost(factor: float) -> float:
        return float(np.max(np.abs(closed_loop_poles(plant, law.scaled(factor), 8)))) - 1.0

    by_poles = brentq(outermost, 0.5 * border.multiplier, 2.0 * border.multiplier)
    # The reading's mean over a firing is a pure delay to the poles, exact to the response.
    assert border.multiplier == pytest.approx(by_poles, rel=1e-2)


# 4.6 l V8, one sample a firing: K. R. Butts, N. Sivashankar and J. Sun, "Feedforward and feedback
# design for engine idle speed control using l1 optimization", American Control Conference 1995,
# given in a public paper: 43.38/(z^3 - 1.838 z^2 + .8442 z + .02375).
# Eight cylinders at 600 rpm fire every 15 ms.
V8_FIRING_s = 0.015


def butts_v8() -> control.TransferFunction:
    return control.tf([43.38], [1.0, -1.838, 0.8442, 0.02375], V8_FIRING_s)


def test_margins_of_the_v8_loop_agree_with_python_control_and_with_its_poles() -> None:
    integral = control.tf([1.0, 0.0], [1.0, -1.0], V8_FIRING_s)
    open_loop = 2e-5 * integral * butts_v8()
    with warnings.catch_warnings():  # it says that it interpolates where polynomials are inexact
        warnings.simplefilter("ignore", UserWarning)
        gain, phase, w_phase, w_gain = control.margin(open_loop)
    omega = np.geomspace(0.01, math.pi / V8_FIRING_s * (1 - 1e-9), 3000)
    sampled = control.frd(open_loop(np.exp(1j * omega * V8_FIRING_s)), omega, smooth=True)
    ours = margins(sampled)
    assert ours.gain_margin == pytest.approx(gain, rel=1e-4)
    assert ours.phase_margin_deg == pytest.approx(phase, rel=1e-4)
    assert ours.phase_crossover_rad_s == pytest.approx(w_phase, rel=1e-4)
    assert ours.gain_crossover_rad_s == pytest.approx(w_gain, rel=1e-4)
    distance = np.abs(1.0 + open_loop(np.exp(1j * omega * V8_FIRING_s)))
    assert ours.sensitivity_peak == pytest.approx(1.0 / np.min(distance), rel=1e-4)

    def outermost(factor: float) -> float:
        return float(np.max(np.abs(control.feedback(factor * open_loop, 1.0).poles()))) - 1.0

    border = brentq(outermost, 0.5 * ours.gain_margin, 2.0 * ours.gain_margin)
    assert ours.gain_margin == pytest.approx(border, rel=1e-4)


# G. McMillan, 2007 (seen): a resolution limit in a loop with integral action gives a limit cycle
# that no tuning removes.  From memory: amplitude
# about process gain times resolution, period about 4 Ti (1/(Ko Kc) - 1).
def slow_engine(rpm_per_step: float = 4.0) -> LinearIdle:
    """A quick self-regulating plant, so that what is slow in the loop is the law."""
    slopes = {
        "pressure_rate_per_Pa": -8.0,
        "pressure_rate_per_rad_s": -300.0,
        "pressure_rate_per_m2": 1e9,
        "charge_torque_per_Pa": 1e-3,
        "charge_torque_per_rad_s": 0.0,
        "resisting_torque_per_rad_s": 1.0,
        "inertia_kg_m2": 0.1,
        "delay_s": 0.05,
        "firing_interval_s": 0.02,
    }
    one = linear_idle(IdleJacobian(area_per_step_m2=1e-6, **slopes)).rpm_per_step
    return linear_idle(IdleJacobian(area_per_step_m2=1e-6 * rpm_per_step / one, **slopes))


@pytest.mark.parametrize("gain_share", [0.2, 0.4])
@pytest.mark.parametrize("integral_time_s", [1.5, 4.0])
def test_a_resolution_limit_cycles_whatever_the_tuning(gain_share: float, integral_time_s: float) -> None:
    # A minimum move of 40 steps is nearly a pure resolution limit (rounding is 1/40 of it).
    plant, move = slow_engine(), 40
    gain = gain_share / plant.rpm_per_step
    law = SampledLaw(100.0 * gain, 100.0 * gain / integral_time_s, 0.02)
    cycle = square_cycle(plant, law, move)
    seen = seen_cycle(run_case(LoopCase(plant, law, move, 0.0, 60.0), 400.0), 100.0, move)
    assert cycle is not None
    assert seen is not None
    assert seen.positions == 2
    assert seen.peak_to_peak_rpm == pytest.approx(plant.rpm_per_step * move, rel=0.05)
    rule = 4.0 * integral_time_s * (1.0 / gain_share - 1.0)
    assert cycle.period_s == pytest.approx(seen.period_s, rel=0.02)
    assert seen.period_s - 4.0 * plant.residence_time_s == pytest.approx(rule, rel=0.05)


def test_the_slow_cycle_of_a_resolution_limit_lives_far_within_the_border() -> None:
    plant, law = slow_engine(), SampledLaw(5.0, 5.0, 0.02)
    assert ultimate_gain(plant, law).multiplier > 10.0
    cycle = square_cycle(plant, law, 8)
    (all_harmonics,) = predicted_cycles(plant, law, 8)
    seen = seen_cycle(run_case(LoopCase(plant, law, 8, 0.0, 12.0), 300.0), 100.0, 8)
    assert cycle is not None
    assert seen is not None
    assert cycle.period_s == pytest.approx(seen.period_s, rel=0.02)
    assert all_harmonics.period_s == pytest.approx(seen.period_s, rel=0.02)


# SIMC: S. Skogestad, "Simple analytic rules for model reduction and PID controller tuning", Journal
# of Process Control 13 (2003) 291-309 (seen).
def test_simc() -> None:
    rule = simc_pi(FirstOrderDelay(1.0, 2.5, 1.47))
    assert rule.gain_steps_per_rpm == pytest.approx(0.850, abs=5e-4)
    assert rule.integral_time_s == pytest.approx(2.5)
    assert rule.gain_steps_per_100rpm == pytest.approx(85.0, abs=0.05)
    assert rule.integral_steps_per_100rpm_s == pytest.approx(34.0, abs=0.02)
    # Lag-dominant plants: the integral time is held at 8 delays.
    assert simc_pi(FirstOrderDelay(1.0, 100.0, 1.0)).integral_time_s == pytest.approx(8.0)


def test_half_rule() -> None:
    # The paper's example: (-0.3 s + 1)(0.08 s + 1)/((2 s + 1)(s + 1)(0.4 s + 1)(0.2 s + 1)
    # (0.05 s + 1)^3) reduces to time constant 2.5 and delay 1.47.
    model = half_rule(1.0, [1.0, 2.0, 0.4, 0.2, 0.05, 0.05, 0.05], 0.3 - 0.08)
    assert model.time_constant_s == pytest.approx(2.5)
    assert model.delay_s == pytest.approx(1.47)


# AMIGO: K. J. Astrom and T. Hagglund, "Revisiting the Ziegler-Nichols step response method for PID
# control", Journal of Process Control 14 (2004) 635-650 (seen).
@pytest.mark.parametrize(
    ("gain", "time_constant", "delay", "proportional", "integral_time"),
    [(1.0, 1.0, 1.0, 0.25, 1.0), (10.0, 10.0, 9.0, 0.02619, 9.847)],
)
def test_amigo(
    gain: float, time_constant: float, delay: float, proportional: float, integral_time: float
) -> None:
    rule = amigo_pi(FirstOrderDelay(gain, time_constant, delay))
    assert rule.gain_steps_per_rpm == pytest.approx(proportional, abs=5e-6)
    assert rule.integral_time_s == pytest.approx(integral_time, abs=5e-4)


# N. F. Thornhill, B. Huang and H. Zhang, "Detection of multiple oscillations in control loops",
# Journal of Process Control 13 (2003) 91-100 (from memory): r = mean(Tp)/(3 std(Tp)), above 1 is
# regular; period 10 +- 1 gives 3.33.
def test_thornhill_regularity() -> None:
    time = np.arange(4000) * 0.05
    rng = np.random.default_rng(1)
    room = np.empty(2 * time.size + 2 * LAG_BLOCK)
    hunting = 30.0 * np.sin(2.0 * np.pi * time / 4.0) + rng.normal(0.0, 15.0, time.size)
    period_s, regular, _ = regularity(hunting - hunting.mean(), 0.05, math.nan, room)
    assert regular > 3.0
    assert period_s == pytest.approx(4.0, rel=0.02)
    scatter = lfilter([1.0], [1.0, -0.9], rng.normal(0.0, 15.0, time.size))
    assert regularity(scatter - scatter.mean(), 0.05, math.nan, room)[1] < 1.0
