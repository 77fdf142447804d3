"""Starting settings by rule: the reduction behind them and the loops they give."""

from __future__ import annotations

import cmath

import numpy as np
import pytest

from tests.shell_on_linear_plant import linear_idle, random_jacobian
from tuning.loop.linear import LinearIdle
from tuning.loop.rules import critical_point_model, first_order_plus_delay, robust_share, starting_settings
from tuning.loop.sampled_loop import loop, margins, ultimate_gain


def engine(seed: int) -> LinearIdle:
    return linear_idle(random_jacobian(np.random.default_rng(seed)))


def test_critical_point_gives_a_first_order_model_back() -> None:
    def response(omega: float) -> complex:
        return 7.0 * cmath.exp(-0.4j * omega) / (1.0 + 1.3j * omega)

    model = critical_point_model(response, 20.0, 7.0)
    assert model.time_constant_s == pytest.approx(1.3, rel=1e-6)
    assert model.delay_s == pytest.approx(0.4, rel=1e-6)


def test_critical_point_needs_a_phase_that_passes_half_a_turn() -> None:
    with pytest.raises(ValueError, match="highest_rad_s: 5"):
        critical_point_model(lambda omega: 1.0 / (1.0 + 1j * omega), 5.0, 1.0)


@pytest.mark.parametrize("rule", ["simc", "amigo"])
def test_rules_give_robust_loops_on_random_engines(rule: str) -> None:
    peaks = []
    for seed in range(12):
        plant = engine(seed)
        law = starting_settings(plant, 0.1, rule)
        assert ultimate_gain(plant, law).multiplier > 1.8
        assert law.integral_steps_per_100rpm_s > 0.0
        peaks.append(margins(loop(plant, law)).sensitivity_peak)
    assert np.max(peaks) < 1.81
    # SIMC aims at about 1.6, AMIGO at 1.4, on their own first-order models.
    assert np.median(peaks) > 1.3


def test_a_loop_beyond_its_border_is_not_taken_for_a_calm_one() -> None:
    omega = np.geomspace(0.01, 30.0, 2000)
    unstable = 40.0 * np.exp(-0.3j * omega) / (1.0 + 1j * omega)
    share = robust_share(unstable, 1.8)
    assert share < 0.1
    assert np.max(1.0 / np.abs(1.0 + share * unstable)) < 1.8
    assert robust_share(np.full(5, 0.1 + 0j), 1.8) == 1.0


def test_real_poles_go_by_the_half_rule_and_complex_ones_by_the_critical_point() -> None:
    kinds = set()
    for seed in range(20):
        plant = engine(seed)
        poles = plant.poles()
        model = first_order_plus_delay(plant, 0.1)
        real = bool(np.max(np.abs(poles.imag)) < 1e-9)
        kinds.add(real)
        if real:
            lags = sorted(-1.0 / poles.real, reverse=True)
            assert model.time_constant_s == pytest.approx(lags[0] + 0.5 * max(lags[1], plant.sensor_lag_s))
        assert model.gain_rpm_per_step == pytest.approx(plant.rpm_per_step)
        assert model.delay_s > plant.delay_s
    assert kinds == {True, False}


def test_slower_updates_ask_for_less_gain() -> None:
    plant = engine(3)
    quick, slow = starting_settings(plant, 0.05), starting_settings(plant, 0.5)
    assert slow.gain_steps_per_100rpm < quick.gain_steps_per_100rpm
    assert slow.update_period_s == 0.5
