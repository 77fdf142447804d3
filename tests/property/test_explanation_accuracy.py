"""The explanation against simulation on 60 random cars; the benchmark has 1,000 of them."""

from __future__ import annotations

import functools

import pytest

from tests.explain_accuracy import Accuracy, accuracy
from tests.random_idle_cars import random_idles

CASES, PHASES, SEED = 60, 12, 1


@functools.cache
def judged_cars() -> Accuracy:
    """All cars, judged once."""
    return accuracy(random_idles(CASES, SEED), PHASES)


def test_there_are_cars_that_hunt_and_cars_that_do_not() -> None:
    found = judged_cars()
    assert 20 <= len(found.hunting) <= 50, str(found)
    assert sum(case.has_period for case in found.hunting) >= 20


def test_the_predicted_chance_of_hunting_is_the_simulated_one() -> None:
    found = judged_cars()
    assert found.mean_chance_error <= 0.05, str(found)


def test_the_predicted_cycle_is_the_simulated_one() -> None:
    found = judged_cars()
    # By engine, settings and starting place alone: 0.95 and 0.87 were measured on other seeds.
    assert found.swing_share >= 0.90, str(found)
    assert found.period_share >= 0.80, str(found)


def test_switching_off_bears_out_the_cause_that_theory_named() -> None:
    found = judged_cars()
    assert found.agreed_share >= 0.95, str(found)


@pytest.mark.parametrize("seed", [11])
def test_cars_with_loops_near_their_border_are_told_less_well_but_told(seed: int) -> None:
    # Twice the gains, loops up to the border: here the geometry of rest alone misses cycles that
    # live beside it.  What is held is what was measured on such cars, not what is wished for.
    found = accuracy(random_idles(16, seed, wild=True), 8)
    assert found.mean_chance_error <= 0.15, str(found)
    assert found.agreed_share >= 0.85, str(found)
