"""Relays, critical points and margins that textbooks print, asked of our controller and theory.

Confirmed by arithmetic of their own here, since the sources were not at hand: digits from memory.
"""

from __future__ import annotations

import math

import control
import numpy as np
import pytest
from scipy.optimize import brentq

from controllers import Curves, Feedback, make_controller
from tests.shell_reference import ControlledPlan, ValveLimit
from tuning.loop.linear import INPUTS, LinearIdle
from tuning.loop.rules import FirstOrderDelay, simc_pi
from tuning.loop.sampled_loop import SampledLaw, margins, ultimate_gain
from tuning.loop.waveform_cycles import predicted_cycles

BASE_steps, TARGET_rpm, UPDATE_s = 100.0, 1000.0, 0.001


def relay() -> ControlledPlan:
    """A controller whose gain is so high that its trim is always at one limit or the other: one step."""
    feedback = Feedback.model_validate(
        {
            "law": "pi", "gain_steps_per_100rpm": 500.0, "integral_steps_per_100rpm_s": 0.0,
            "deadband_rpm": 0.0, "min_move_steps": 1, "update_period_ms": 1000.0 * UPDATE_s,
            "trim_limit_steps": (-1.0, 1.0), "enable_above_target_rpm": 5000.0, "enable_delay_s": 0.0,
        }
    )  # fmt: skip
    flat = Curves(
        target_rpm=((0.0, TARGET_rpm), (100.0, TARGET_rpm)),
        base_steps=((0.0, BASE_steps), (100.0, BASE_steps)),
        cranking_steps=((0.0, BASE_steps), (100.0, BASE_steps)),
        after_start_steps=((0.0, 0.0), (100.0, 0.0)),
    )
    return ControlledPlan(feedback, flat, ValveLimit(300.0))


def test_a_relay_round_a_first_order_lag_with_dead_time() -> None:
    # Ya. Z. Tsypkin, Relay Control Systems (1984); Q.-G. Wang, C.-C. Hang & B. Zou, Ind. Eng. Chem. Res. 36
    # (1997), both from memory: round exp(-s)/(s + 1) period 2 ln(2 e - 1) = 2.9798 s, amplitude
    # 1 - 1/e = 0.6321 of the relay's.
    assert 2.0 * math.log(2.0 * math.e - 1.0) == pytest.approx(2.9798, abs=5e-5)
    # Ten times as slow, so that updates of 1 ms are fine.
    made, rpm_of_a_step, slower = make_controller(relay()), 400.0, 10.0
    keep, late = math.exp(-UPDATE_s / slower), round(slower / UPDATE_s)
    told = np.full(11 * late, BASE_steps)
    speed, seen = 150.0, np.empty(10 * late)
    for tick in range(seen.size):
        told[tick + late] = made.step(tick * UPDATE_s, TARGET_rpm + speed, 90.0, True)
        speed = keep * speed + (1.0 - keep) * rpm_of_a_step * (told[tick] - BASE_steps)
        seen[tick] = speed / rpm_of_a_step
    end = seen[4 * late :]
    rising = np.flatnonzero((end[:-1] < 0.0) & (end[1:] >= 0.0))
    # Each crossing is seen, and the command counted, up to an update late, twice in a cycle.
    assert np.diff(rising).mean() * UPDATE_s / slower == pytest.approx(2.9798, abs=4.0 * UPDATE_s / slower)
    assert np.abs(end).max() == pytest.approx(0.6321, abs=2.0 * UPDATE_s / slower)


def lags(slow_s: float, quick_s: float, sensor_s: float = 0.0) -> LinearIdle:
    """Lags in a row, of gain 1 rpm a step, read at once."""
    inputs = np.zeros((2, len(INPUTS)))
    inputs[0, 0] = 1.0 / slow_s
    rates = np.array([[-1.0 / slow_s, 0.0], [1.0 / quick_s, -1.0 / quick_s]])
    return LinearIdle(rates, np.zeros((2, 2)), inputs, np.array([[0.0, 1.0]]), 0.0, 1e-6, sensor_s, 0.0)


def test_a_relay_round_an_integrator_and_two_lags() -> None:
    # Describing function of a relay round 1/(s (s + 1)(s + 2)): w = sqrt 2, amplitude 4/(6 pi) = 0.2122 of
    # the relay's (worked example of many textbooks on nonlinear control, from memory).
    plant = lags(1.0, 0.5)
    critical = ultimate_gain(plant, SampledLaw(0.0, 200.0, 1e-4))
    assert 2.0 * math.pi / critical.period_s == pytest.approx(math.sqrt(2.0), abs=5e-4)
    # Integral feedback round 2/((s + 1)(s + 2)) by 2 steps a second is four such.
    assert 4.0 / math.pi / (4.0 * critical.multiplier) == pytest.approx(0.2122, abs=1e-4)
    # Moved by single steps that feedback is the relay itself. Tsypkin's locus (from memory): it switches
    # where the sum over odd harmonics of the response's imaginary part over the harmonic's number is zero.
    (cycle,) = predicted_cycles(plant, SampledLaw(0.0, 200.0, 0.001), 1)

    def locus(w: float) -> float:
        odd = np.arange(1, 4001, 2)
        s = 1j * w * odd
        return float(np.sum((1.0 / (s * (s + 1.0) * (s + 2.0))).imag / odd))

    exact = brentq(locus, 1.0, 2.0)
    assert 2.0 * math.pi / cycle.period_s == pytest.approx(exact, rel=2e-3)
    assert exact == pytest.approx(math.sqrt(2.0), rel=0.03)


def test_three_lags_swing_at_gain_8_every_3_6276_s() -> None:
    # 1/(s + 1)^3: K. J. Astrom & T. Hagglund, PID Controllers (1995), from memory: ultimate gain 8,
    # period 2 pi/sqrt 3.
    found = ultimate_gain(lags(1.0, 1.0, 1.0), SampledLaw(100.0, 0.0, 1e-5))
    assert found.multiplier == pytest.approx(8.0, abs=2e-3)
    assert found.period_s == pytest.approx(3.6276, abs=5e-4)


@pytest.mark.parametrize(
    ("lag_s", "gain_margin", "phase_deg", "peak"), [(8.0, 3.14, 61.4, 1.59), (1e6, 2.96, 46.9, 1.70)]
)
def test_simc_has_the_margins_its_author_prints(
    lag_s: float, gain_margin: float, phase_deg: float, peak: float
) -> None:
    # S. Skogestad, Journal of Process Control 13 (2003), table of robustness margins with closed-loop time
    # = delay: first order (integral time = lag) and integrating (8 delays); digits from memory.
    rule = simc_pi(FirstOrderDelay(lag_s, lag_s, 1.0))
    s = 1j * np.geomspace(1e-4, 30.0, 6000)
    gain, integral = rule.gain_steps_per_rpm, rule.gain_steps_per_rpm / rule.integral_time_s
    loop = (gain + integral / s) * lag_s * np.exp(-s) / (lag_s * s + 1.0)
    found = margins(control.frd(loop, s.imag, smooth=True))
    assert found.gain_margin == pytest.approx(gain_margin, abs=5e-3)
    assert found.phase_margin_deg == pytest.approx(phase_deg, abs=0.05)
    assert found.sensitivity_peak == pytest.approx(peak, abs=5e-3)
