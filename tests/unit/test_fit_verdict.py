"""A fit says when it is not to be trusted, and why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim import Car, load_car, with_values
from tests.idle_records import log_of
from tests.invented_logs import invented_car, record_plan
from tuning.identification.fitting import fit
from tuning.identification.recording_guide import recording_plan
from tuning.logs.log import Log
from workbench.words.wording import in_words

PLAN_s = 100.0


@pytest.fixture(scope="module")
def car() -> Car:
    return load_car("trials")


@pytest.fixture(scope="module")
def log(car: Car) -> Log:
    return log_of(record_plan(invented_car(), recording_plan(car, PLAN_s), seed=3))


def test_a_plain_log_of_that_length_is_trusted(car: Car, log: Log) -> None:
    found = fit(car, log)
    assert found.trusted, found.reasons


def test_a_valve_that_stood_still_tells_too_little(car: Car) -> None:
    plan = recording_plan(car, PLAN_s)
    still = replace(plan, holds=tuple(replace(h, steps=12, load="") for h in plan.holds))
    held = fit(car, log_of(record_plan(invented_car(), still, seed=4)))
    assert not held.trusted
    assert any("moves of the valve" in in_words(reason) for reason in held.reasons)


def test_a_valve_wired_backwards_is_noticed(car: Car, log: Log) -> None:
    assert log.valve_steps is not None
    backwards = replace(log, valve_steps=30.0 - log.valve_steps)
    turned = fit(car, backwards)
    assert not turned.trusted
    assert any("wrong way round" in in_words(reason) for reason in turned.reasons)


def test_a_position_lost_on_the_way_is_noticed(car: Car, log: Log) -> None:
    assert log.valve_steps is not None
    moved = np.where(log.time_s > 55.0, log.valve_steps + 6.0, log.valve_steps)
    lost = fit(car, replace(log, valve_steps=moved))
    assert not lost.trusted
    assert any("lost its position" in in_words(reason) for reason in lost.reasons)


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
def test_no_hold_goes_down_to_the_seat(name: str) -> None:
    """Where the throttle's stop lets by so much that the engine would run on a closed valve."""
    car = load_car(name)
    changes: dict[str, dict[str, object]] = {
        "throttle": {"leak_mm2": 2.5 * car.throttle.leak_mm2},
        "curves": {"base_steps": ((0.0, 6.0), (100.0, 6.0))},
    }
    plan = recording_plan(with_values(car, changes))
    assert min(hold.steps for hold in plan.holds) >= 3
