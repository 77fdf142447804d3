"""A fit is held against what the car file says for a fact, not only against itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from sim import Car, car_to_toml, load_car
from tests.idle_records import log_of
from tests.invented_logs import invented_car, record_plan
from tuning.identification.fitting import fit
from tuning.identification.recording_guide import recording_plan
from tuning.identification.result import Fit
from tuning.logs.log import Log
from workbench.words.cautions import basis_words
from workbench.words.wording import in_words

NAMES = ("trials", "twin", "six")
PLAN_s = 60.0


def recorded(name: str) -> Log:
    """A log of a demonstration car, as its own recording plan asks."""
    described = load_car(name)
    built = invented_car() if name == "trials" else described
    return log_of(record_plan(built, recording_plan(described, PLAN_s), seed=3))


@pytest.fixture(scope="module")
def logs() -> dict[str, Log]:
    return {name: recorded(name) for name in NAMES}


def facts_of(found: Fit) -> tuple[bool, str]:
    """Whether the facts are met, and what is said of them."""
    (one,) = [check for check in found.checks if check.name == "facts"]
    return one.passed, in_words(one.note)


@pytest.mark.parametrize("name", NAMES)
def test_a_car_s_own_log_goes_with_its_file(name: str, logs: dict[str, Log]) -> None:
    found = fit(load_car(name), logs[name])
    assert facts_of(found)[0], facts_of(found)
    verdict = "trusted" if found.trusted else "not trusted"
    assert found.car.car.fit_verdict == verdict
    assert f'fit_verdict = "{verdict}"' in car_to_toml(found.car)
    steps, seen = logs[name].valve_steps, logs[name].coolant_degC
    assert steps is not None
    assert found.car.car.fitted_steps == (steps.min(), steps.max())
    assert seen is not None
    assert found.car.car.fitted_degC == (seen.min(), seen.max())


@pytest.mark.parametrize(("file", "log"), [(a, b) for a in NAMES for b in NAMES if a != b])
def test_another_car_s_log_is_refused_or_said_to_be_impossible_to_tell(
    file: str, log: str, logs: dict[str, Log]
) -> None:
    met, why = facts_of(fit(load_car(file), logs[log]))
    assert not met
    assert "its target is" in why
    blind = fit(load_car(file), replace(logs[log], target_rpm=None))
    told = in_words(blind.notes[0])  # the command shows the first of them unasked
    assert not blind.trusted or "of another car that idles alike" in told


def times(values: np.ndarray | None, factor: float) -> np.ndarray:
    """A column that was recorded, multiplied."""
    assert values is not None
    return values * factor


WRONG: dict[str, tuple[Callable[[Log], Log], str]] = {
    "speed halved": (lambda log: replace(log, rpm=log.rpm / 2.0, target_rpm=None), "on the base curve"),
    "pressure halved": (
        lambda log: replace(log, map_kPa=times(log.map_kPa, 0.5)),
        "where such an engine needs",
    ),
    "pressure up": (lambda log: replace(log, map_kPa=times(log.map_kPa, 1.3)), "where such an engine needs"),
    "steps doubled": (lambda log: replace(log, valve_steps=times(log.valve_steps, 2.0)), "on the base curve"),
    "beyond the travel": (
        lambda log: replace(log, valve_steps=times(log.valve_steps, 8.0)),
        "travel was counted",
    ),
}


@pytest.mark.parametrize("kind", WRONG)
def test_a_recorder_that_counts_otherwise_is_refused(kind: str, logs: dict[str, Log]) -> None:
    spoil, says = WRONG[kind]
    found = fit(load_car("trials"), spoil(logs["trials"]))
    met, why = facts_of(found)
    assert not met
    assert says in why
    assert "facts" in found.car.car.fit_doubts
    assert basis_words(found.car).startswith("NOT TO BE TRUSTED: ")
    assert "facts" in basis_words(found.car)


def standing(log: Log, at_kPa: float) -> Log:
    """The log with ten seconds before it in which the engine stands, key on."""
    rows = 200
    first = {"time_s": log.time_s[0] - 0.05 * np.arange(rows, 0, -1), "rpm": np.zeros(rows),
             "map_kPa": np.full(rows, at_kPa)}  # fmt: skip
    joined = {
        name: np.concatenate([first.get(name, np.full(rows, values[0])), values])
        for name, values in log.columns().items()
    }
    joined["time_s"] -= joined["time_s"][0]
    return log_of(joined)


def test_pressure_is_held_against_the_air_s_where_the_engine_stands(logs: dict[str, Log]) -> None:
    log = logs["trials"]
    right, wrong = (fit(load_car("trials"), standing(log, at_kPa)) for at_kPa in (101.0, 122.0))
    assert facts_of(right) == (
        True,
        "the log agrees with the car file: speed on the base curve, target, travel, pressure",
    )
    assert not any("up to a third wrong" in in_words(note) for note in right.notes)
    assert "with the engine standing" in facts_of(wrong)[1]
    plain = fit(load_car("trials"), log)
    assert any("up to a third wrong" in in_words(note) for note in plain.notes)


def test_a_file_that_does_not_say_is_read_and_says_that_it_does_not() -> None:
    old = load_car("six")
    assert old.car.fit_verdict == "none"
    fitted = Car.model_validate(old.model_dump() | {"car": {"name": "old", "basis": "fitted"}})
    assert "Whether that fit can be trusted is not in the file" in basis_words(fitted)
