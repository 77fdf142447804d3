"""The smooth picture of the score, against textbook formulas and sampling."""

from __future__ import annotations

import numpy as np
import pytest

from tuning.search.next_places import expected_improvement, fit_surrogate, matern

RNG = np.random.default_rng(20)


def bowl(places: np.ndarray) -> np.ndarray:
    """A smooth score with its least at (0.3, 0.7), of which the third number is no part."""
    return np.asarray(5.0 + 40.0 * ((places[:, 0] - 0.3) ** 2 + 0.5 * (places[:, 1] - 0.7) ** 2))


def test_mean_and_spread_are_those_of_the_textbook() -> None:
    # Rasmussen & Williams (2006), eq. 2.25 and 2.26, with numpy's general solver.
    places = RNG.random((25, 3))
    found = fit_surrogate(places, bowl(places))
    asked = RNG.random((7, 3))
    gram = matern(places, places, found.lengths) + found.noise * np.eye(25)
    across = matern(asked, places, found.lengths)
    normed = (bowl(places) - found.middle) / found.size
    mean = found.middle + found.size * across @ np.linalg.solve(gram, normed)
    variance = 1.0 - np.sum(across * np.linalg.solve(gram, across.T).T, axis=1)
    got_mean, got_sd = found.mean_and_sd(asked)
    assert got_mean == pytest.approx(mean, rel=1e-6)
    assert found.mean(asked) == pytest.approx(mean, rel=1e-6)
    assert got_sd == pytest.approx(found.size * np.sqrt(np.maximum(variance, 1e-12)), rel=1e-4)


def test_luck_is_told_from_merit() -> None:
    places = RNG.random((120, 3))
    luck = 2.0 * RNG.normal(size=120)
    found = fit_surrogate(places, bowl(places) + luck)
    left = np.std(found.mean(places) - bowl(places))
    assert left < 0.5 * np.std(luck)
    noise_rms = np.sqrt(found.noise) * found.size
    assert noise_rms == pytest.approx(2.0, rel=0.35)


def test_a_number_without_influence_gets_a_long_scale() -> None:
    places = RNG.random((60, 3))
    found = fit_surrogate(places, bowl(places))
    assert found.lengths[2] > 3.0 * max(found.lengths[:2])


def test_expected_improvement_is_what_sampling_gives() -> None:
    places = RNG.random((20, 2))
    found = fit_surrogate(places, bowl(places) + RNG.normal(size=20))
    asked = RNG.random((5, 2))
    mean, sd = found.mean_and_sd(asked)
    best = float(np.min(mean)) + 0.5
    drawn = mean + sd * RNG.normal(size=(400_000, 5))
    sampled = np.maximum(best - drawn, 0.0).mean(axis=0)
    assert expected_improvement(found, asked, best) == pytest.approx(sampled, rel=0.02, abs=0.003)


def test_a_guess_changes_nothing_but_how_sure_it_is_there() -> None:
    places = RNG.random((20, 2))
    found = fit_surrogate(places, bowl(places))
    here = np.array([[0.9, 0.1]])
    guessed = found.with_guess(here[0])
    assert guessed.mean(here) == pytest.approx(found.mean(here), rel=1e-6)
    assert guessed.mean_and_sd(here)[1] < found.mean_and_sd(here)[1]
