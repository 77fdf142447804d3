"""Engines of another structure than the model's: what matters for tuning is still found.

Issue: on engines generated in tests with perturbed structure (another friction law, adiabatic
filling, hose in series, scatter with memory, lagged fuelling) rpm per step and main pole within
10 %.  The benchmark of the same name runs thirty of them.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.foreign_engine import (
    ADIABATIC,
    ALTERNATE,
    FUEL_LAG,
    HOSE,
    INERTIA,
    MEMORY,
    POWER,
    WALL,
    make_engine,
)
from tests.foreign_trial import ForeignJudge
from tests.idle_records import foreign_log, guessed_car, poles, worth_of_step
from tuning.ensemble.plausible import VERDICT, noise_seeds, plausible_cars
from tuning.ensemble.trial_runs import TrialRuns
from tuning.identification.fitting import fit
from tuning.identification.recording_guide import recording_plan

SEEDS = (1, 12, 13)
"""Adiabatic with a hose and lagged fuelling; adiabatic; eight cylinders with wall film."""
WITHIN = 0.10
FLYWHEEL_WITHIN = 0.25
"""On thirty engines it came out at 0.71 to 1.11 of the true one, 0.90 on the whole."""


def test_the_engines_differ_in_structure() -> None:
    numbers = [make_engine(seed).numbers for seed in SEEDS]
    assert {one[ADIABATIC] for one in numbers} == {0.0, 1.0}
    assert any(one[HOSE] > 0.0 for one in numbers)
    assert any(one[FUEL_LAG] > 0.02 for one in numbers)
    assert any(one[WALL] > 0.1 for one in numbers)
    assert all(one[MEMORY] > 0.0 or one[ALTERNATE] > 0.0 for one in numbers)
    assert all(1.0 <= one[POWER] <= 2.0 for one in numbers)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_foreign_engine_is_fitted_closely_enough(seed: int) -> None:
    engine = make_engine(seed)
    car = guessed_car(engine)
    plan = recording_plan(car)
    found = fit(car, foreign_log(engine, plan, seed))
    assert found.trusted, found.reasons
    true, fitted = worth_of_step(engine, found.car)
    assert fitted == pytest.approx(true, rel=WITHIN)
    true, fitted = poles(engine, found.car)
    assert fitted == pytest.approx(true, rel=WITHIN)
    flywheel = found.car.engine.inertia_kg_m2
    assert flywheel == pytest.approx(engine.numbers[INERTIA], rel=FLYWHEEL_WITHIN)


@pytest.mark.parametrize("seed", [1, 5, 23, 29])
def test_plausible_cars_swing_with_the_valve_held_as_the_engine_does(seed: int) -> None:
    # 1: through an adiabatic manifold behind a hose the model answers a step otherwise than the
    # engine does; what is left over then is no scatter (it made 31.7 rpm of 27.2).
    # 5, 23, 29: one hold, near a stall or under a load that the model has too small, leaves far
    # more over than the others (it made 31 to 34 % too much of the first two).
    engine = make_engine(seed)
    car = guessed_car(engine)
    found = fit(car, replace(foreign_log(engine, recording_plan(car), seed), load_W=None)).car
    cars = plausible_cars(found, 12, purpose=VERDICT).cars
    told_rpm = TrialRuns(cars, noise_seeds(0, VERDICT, 6)).held_swing
    measured_rpm = ForeignJudge(engine, found, 8, 7).held_swing_rpm
    assert float(told_rpm.mean()) == pytest.approx(float(measured_rpm.mean()), rel=0.20)
