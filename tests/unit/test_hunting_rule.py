"""The one rule of hunting: regular swings, valves that go to and fro at any period, chances."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tuning.measures import CANNOT_TELL, DOES_NOT_HUNT, HUNTS, Measures, measure, run_answer, run_note
from tuning.measures.hunting_rule import MAY_HUNT, chance_of
from workbench.words.wording import in_words

SPACING_s, TARGET_rpm, SCATTER_rpm = 0.05, 850.0, 12.0
Floats = NDArray[np.float64]


@dataclass
class Run:
    """What measures look at."""

    time_s: Floats
    rpm: Floats
    valve_steps: Floats


def times(length_s: float) -> Floats:
    return SPACING_s * np.arange(1, round(length_s / SPACING_s) + 1, dtype=float)


def scatter(count: int, seed: int) -> Floats:
    """Scatter that forgets itself within half a second."""
    white = np.random.default_rng(seed).standard_normal(count)
    kept = np.empty(count)
    last = 0.0
    for k in range(count):
        last = 0.9 * last + math.sqrt(1.0 - 0.81) * white[k]
        kept[k] = SCATTER_rpm * last
    return kept


def answered(steps: Floats, rpm_per_step: float) -> Floats:
    """Speed that follows the valve with a lag of 0.8 s."""
    speed, out = steps[0] * rpm_per_step, np.empty(steps.size)
    for k in range(steps.size):
        speed += SPACING_s / 0.8 * (steps[k] * rpm_per_step - speed)
        out[k] = speed
    return out - out.mean() + TARGET_rpm


def square(length_s: float, low: float, high: float, period_s: float, wander: float = 0.0) -> Floats:
    """A valve that goes to and fro between two positions, each stay its own length."""
    rng, at, side = np.random.default_rng(3), times(length_s), low
    out = np.empty(at.size)
    next_s = 0.3 * period_s
    for k in range(at.size):
        if at[k] >= next_s:
            side = high if side == low else low
            next_s += 0.5 * period_s * float(rng.uniform(1.0 - wander, 1.0 + wander))
        out[k] = side
    return out


def measured(steps: Floats, speed: Floats, seed: int = 0) -> Measures:
    at = times(steps.size * SPACING_s)
    return measure(Run(at, speed + scatter(steps.size, seed), steps))


FLOOR_rpm = float(np.mean([
    measured(np.zeros(2400), np.full(2400, TARGET_rpm), seed).hunting_rpm for seed in range(5)
]))  # fmt: skip


@pytest.mark.parametrize("floor_rpm", [None, FLOOR_rpm])
@pytest.mark.parametrize(
    ("low", "high", "swing_rpm", "period_s", "length_s"),
    [(10, 16, 115, 31, 90), (8, 16, 150, 66, 180), (10, 16, 115, 12, 60), (4, 7, 60, 20, 60)],
)
def test_equal_moves_to_and_fro_are_hunting_at_any_period(
    low: int, high: int, swing_rpm: float, period_s: float, length_s: float, floor_rpm: float | None
) -> None:
    for seed, wander in ((0, 0.0), (1, 0.5)):
        steps = square(length_s, low, high, period_s, wander)
        seen = measured(steps, answered(steps, swing_rpm / (high - low)), seed)
        assert run_answer(seen, floor_rpm) == HUNTS
        # Speed lags behind the valve, so its means come short of what it heads for.
        assert 0.6 * swing_rpm < seen.valve_swing_rpm < 1.1 * swing_rpm


def test_a_move_and_the_return_from_it_are_too_little_to_tell() -> None:
    steps = square(60.0, 10.0, 16.0, 66.0)
    seen = measured(steps, answered(steps, 20.0))
    assert seen.half_swings == 2
    assert DOES_NOT_HUNT not in {run_answer(seen, FLOOR_rpm), run_answer(seen)}
    irregular = replace(seen, regularity=0.5, repeat_share=0.1)
    assert run_answer(irregular, FLOOR_rpm) == run_answer(irregular) == CANNOT_TELL
    assert "run for longer" in in_words(run_note(irregular, FLOOR_rpm))


@pytest.mark.parametrize("period_s", [15.0, 40.0])
def test_a_valve_that_follows_a_swing_from_outside_is_not_called_to_and_fro(period_s: float) -> None:
    at = times(120.0)
    outside = 40.0 * np.sin(2.0 * np.pi * at / period_s)
    # An integrating valve lags a quarter of a period behind; what its moves make is small.
    steps = np.round(12.0 + 3.0 * np.cos(2.0 * np.pi * at / period_s))
    seen = measured(steps, TARGET_rpm + outside)
    assert seen.half_swings >= 3
    assert abs(seen.valve_swing_rpm) < 0.25 * 80.0


def test_ticks_in_scatter_and_a_drift_are_no_hunting() -> None:
    rng = np.random.default_rng(4)
    answers = []
    for seed in range(40):
        ticks = 12.0 + np.repeat(rng.integers(0, 2, 120), 20).astype(float)
        answers.append(run_answer(measured(ticks, answered(ticks, 12.0), seed), FLOOR_rpm) == HUNTS)
    assert np.mean(answers) <= 0.05
    drift = np.round(np.linspace(40.0, 10.0, 2400))
    assert run_answer(measured(drift, np.full(2400, TARGET_rpm)), FLOOR_rpm) == DOES_NOT_HUNT


def test_speed_that_swings_with_the_valve_still_is_not_laid_at_its_door() -> None:
    at = times(60.0)
    seen = measured(np.full(at.size, 9.0), TARGET_rpm + 40.0 * np.sin(2.0 * np.pi * at / 4.0))
    assert run_note(seen, FLOOR_rpm).code == "measures.run.swings_with_valve_still"
    assert "with the valve still" in in_words(run_note(seen, FLOOR_rpm))


@pytest.mark.parametrize(
    ("hunting", "runs", "answer"),
    [(24, 24, HUNTS), (20, 24, HUNTS), (12, 24, MAY_HUNT), (1, 100, MAY_HUNT),
     (0, 24, DOES_NOT_HUNT), (0, 5, CANNOT_TELL), (0, 0, CANNOT_TELL)],
)  # fmt: skip
def test_a_car_is_told_by_the_interval_of_its_chance(hunting: int, runs: int, answer: str) -> None:
    found = chance_of(hunting, runs)
    assert found.answer == answer
    told = in_words(found.text)
    assert told.startswith(answer)
    if answer == DOES_NOT_HUNT:
        assert "up to 12 %" in told
