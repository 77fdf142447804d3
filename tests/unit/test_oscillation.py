"""Oscillation measures: edges, and agreement between the ways to compute them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tuning.oscillation import (
    autocorrelation,
    harris_index,
    integrals_between_crossings,
    regularity_of,
    thornhill_regularity,
)


def test_autocorrelation_agrees_with_its_definition() -> None:
    x = np.random.default_rng(2).normal(3.0, 1.0, 200)
    about = x - x.mean()
    lags = autocorrelation(x)
    assert lags[0] == pytest.approx(1.0)
    for lag in (1, 7, 150):
        plain = np.sum(about[lag:] * about[: x.size - lag]) / np.sum(about**2)
        assert lags[lag] == pytest.approx(plain, abs=1e-12)
    assert np.all(autocorrelation(np.full(10, 4.0)) == 0.0)


@pytest.mark.parametrize("period_s", [1.5, 4.0, 9.0])
@pytest.mark.parametrize("shape", ["sine", "square"])
def test_period_of_a_pure_swing(period_s: float, shape: str) -> None:
    wave = np.sin(2.0 * np.pi * np.arange(2400) * 0.05 / period_s + 0.2)
    found = thornhill_regularity(wave if shape == "sine" else np.sign(wave), 0.05)
    assert found.period_s == pytest.approx(period_s, rel=0.02)
    assert found.regularity > 10.0
    assert found.intervals == 10


def test_too_few_crossings_tell_no_regularity() -> None:
    found = thornhill_regularity(np.linspace(-1.0, 1.0, 100), 0.1)
    assert math.isnan(found.regularity)
    constant = thornhill_regularity(np.full(50, 2.0), 0.1)
    assert math.isnan(constant.period_s)
    assert constant.intervals == 0


def test_even_periods_are_infinitely_regular() -> None:
    assert math.isinf(regularity_of([4.0, 4.0, 4.0]))


def test_integrals_add_up_to_the_whole_between_first_and_last_crossing() -> None:
    x = np.random.default_rng(5).normal(0.0, 10.0, 500)
    halves = integrals_between_crossings(x, 0.1)
    assert np.all(halves > 0.0)
    whole = np.trapezoid(np.abs(x), dx=0.1)
    # The trapezoid of |x| over a crossing counts both triangles as one larger piece.
    assert 0.5 * whole < np.sum(halves) < whole
    assert integrals_between_crossings(np.ones(20), 0.1).size == 0
    triangle = np.array([-1.0, 1.0, 1.0, -1.0, -1.0, 1.0])
    assert integrals_between_crossings(triangle, 1.0) == pytest.approx([1.5 + 0.5 * 0.0, 1.5])


def test_white_noise_leaves_nothing_to_gain_and_drift_much() -> None:
    rng = np.random.default_rng(7)
    white = rng.normal(0.0, 1.0, 20_000)
    assert harris_index(white, 3) == pytest.approx(1.0, abs=0.02)
    assert harris_index(np.cumsum(white), 3) < 0.05
    assert math.isnan(harris_index(np.full(200, 1.0), 3))


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: thornhill_regularity([1.0, 2.0], 0.1), "signal"),
        (lambda: thornhill_regularity(np.ones((4, 4)), 0.1), "signal"),
        (lambda: thornhill_regularity([1.0, math.nan] * 8, 0.1), "signal"),
        (lambda: thornhill_regularity(np.arange(20.0), 0.0), "dt_s"),
        (lambda: integrals_between_crossings([1.0], 0.1), "error"),
        (lambda: harris_index(np.arange(300.0), 0), "delay_samples"),
        (lambda: harris_index(np.arange(30.0), 2), "signal"),
        (lambda: regularity_of([3.0]), "periods_s"),
    ],
)
def test_unusable_signals_are_refused_by_name(call: object, name: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=rf"{name}: .*allowed"):
        call()
