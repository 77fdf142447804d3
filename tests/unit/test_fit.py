"""A fit finds the engine behind a log, says how surely, and says when it is not to be trusted."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sim import Car, InputError, load_car, with_values
from tests.idle_records import log_of
from tests.invented_logs import invented_car, record_plan
from tuning.ensemble.plausible import plausible_cars
from tuning.identification.fitting import fit
from tuning.identification.recording_guide import recording_plan
from tuning.identification.result import Fit
from tuning.logs.log import Log, read_log
from tuning.loop.point import engine_figures
from workbench.words.wording import in_words

BUNDLED = Path(__file__).resolve().parents[2] / "scenarios" / "logs" / "trials_recording.csv"


@pytest.fixture(scope="module")
def car() -> Car:
    return load_car("trials")


@pytest.fixture(scope="module")
def log() -> Log:
    return read_log(BUNDLED)


@pytest.fixture(scope="module")
def fitted(car: Car, log: Log) -> Fit:
    return fit(car, log)


def thinned(log: Log, every: int) -> Log:
    """The log with only every so many rows."""
    columns: dict[str, Any] = {name: values[::every] for name, values in log.columns().items()}
    rows = columns["rpm"].size
    return replace(log, parts=(slice(0, rows),), rate_Hz=log.rate_Hz / every, **columns)


def test_the_engine_behind_the_bundled_log_is_found(fitted: Fit) -> None:
    truth = invented_car()
    assert fitted.trusted, fitted.reasons
    for steps in (11.0, 13.0, 17.0):
        true, found = engine_figures(truth, steps), engine_figures(fitted.car, steps)
        assert found.rpm == pytest.approx(true.rpm, rel=0.012)
        assert found.rpm_per_step == pytest.approx(true.rpm_per_step, rel=0.10)
        assert found.main_pole_rad_s == pytest.approx(true.main_pole_rad_s, rel=0.08)
    # The file was off by more than that.
    wrong = engine_figures(load_car("trials"), 12.0).rpm_per_step
    assert abs(wrong / engine_figures(truth, 12.0).rpm_per_step - 1.0) > 0.12


def test_what_the_log_tells_is_told_apart_from_what_the_file_says(fitted: Fit) -> None:
    told = {one.name: one.told for one in fitted.numbers}
    assert told["manifold.volume_cm3"]
    assert told["valve.backlash_steps"]
    assert not told["engine.torque_delay_deg"]
    truth = invented_car()
    values = {one.name: one for one in fitted.numbers}
    volume = truth.manifold.volume_cm3 / load_car("trials").manifold.volume_cm3
    assert values["manifold.volume_cm3"].low - 0.05 < volume < values["manifold.volume_cm3"].high
    assert values["valve.backlash_steps"].low - 0.1 < 0.5 < values["valve.backlash_steps"].high + 0.1


def test_scatter_is_matched(fitted: Fit) -> None:
    truth = invented_car().engine
    assert fitted.scatter.share == pytest.approx(truth.scatter_share, rel=0.25)
    assert fitted.scatter.memory == pytest.approx(truth.scatter_memory, abs=0.2)
    assert fitted.car.engine.scatter_share == fitted.scatter.share


def test_held_back_holds_are_predicted_to_the_scatter(fitted: Fit) -> None:
    assert len(fitted.held_back) >= 4
    # What a hold would have been without scatter counts too: in seven seconds an idle may wander.
    even = {"engine": {"scatter_share": 0.0}, "sensors": {"rpm_noise_rpm": 0.0}}
    plan = recording_plan(load_car("trials"))
    smooth = record_plan(with_values(invented_car(), even), plan, seed=0)
    wandered = 0
    for one in fitted.held_back:
        as_recorded = abs(one.predicted_rpm - one.measured_rpm) < 15.0
        if as_recorded and one.rms_rpm < 2.0 * fitted.scatter.rms_rpm:
            continue
        within = (smooth["time_s"] >= one.from_s) & (smooth["time_s"] <= one.to_s)
        assert one.predicted_rpm == pytest.approx(float(smooth["rpm"][within].mean()), abs=5.0)
        wandered += 1
    assert wandered <= 1
    assert sum(int(one.held_back.sum()) for one in fitted.curves) > 200


def test_the_result_is_plain(fitted: Fit) -> None:
    plain = json.loads(json.dumps(fitted.to_dict(), allow_nan=False))
    assert plain["trusted"] is True
    assert len(plain["covariance"]) == len(plain["numbers"])
    assert in_words(fitted.lines()[0]) == "The fit can be trusted."


def test_variations_of_the_fitted_car_spread_as_the_fit_is_uncertain(car: Car) -> None:
    # A log that tells more than this meets the floors under what is taken to be known of an engine.
    fitted = fit(car, log_of(record_plan(invented_car(), recording_plan(car, 120.0), seed=3)))
    cars = plausible_cars(fitted.car, 40, seed=3).cars
    assert cars[0] == fitted.car
    worth = np.array([engine_figures(one, fitted.at_steps).rpm_per_step for one in cars])
    half = 1.645 * float(np.std(worth))
    wide = 0.5 * (fitted.rpm_per_step.high - fitted.rpm_per_step.low)
    assert 0.5 * wide < half < 2.0 * wide
    assert any(one.mixture.wall_share > 0.05 for one in cars)


def test_uncertainty_goes_into_the_car_file(fitted: Fit) -> None:
    spreads = fitted.car.uncertainty
    assert 0.0 < spreads["valve"]["area_mm2"] < 0.2
    assert 0.0 < spreads["engine"]["inertia_kg_m2"] < 0.25
    assert spreads["engine"]["volumetric_efficiency"] == 0.0


def test_an_alternators_limit_counts_as_known_where_the_battery_shows_it(
    car: Car, log: Log, fitted: Fit
) -> None:
    assert log.battery_V is not None
    assert fitted.car.uncertainty["electrics"]["alternator_max_W"] < 0.1
    # Without its battery, or with one that stays up, a limit found may be the engine's own steadiness.
    for battery_V in (None, np.full(log.time_s.size, 13.8)):
        unseen = fit(car, replace(log, battery_V=battery_V))
        assert unseen.car.uncertainty["electrics"]["alternator_max_W"] >= 0.3
        said = any("battery's voltage" in in_words(one) for one in unseen.notes)
        assert said is (battery_V is None)


def test_a_load_that_was_not_recorded_is_found(car: Car, log: Log, fitted: Fit) -> None:
    unaware = fit(car, replace(log, load_W=None))
    assert unaware.trusted, unaware.reasons
    assert unaware.loads_W[0] == pytest.approx(120.0, rel=0.5)
    assert unaware.loads_W[1] == pytest.approx(270.0, rel=0.3)
    assert unaware.rpm_per_step.value == pytest.approx(fitted.rpm_per_step.value, rel=0.05)


def test_without_manifold_pressure_it_is_less_sure(car: Car, log: Log, fitted: Fit) -> None:
    blind = fit(car, replace(log, map_kPa=None))
    assert blind.rpm_per_step.value == pytest.approx(fitted.rpm_per_step.value, rel=0.1)

    def width(one: Fit, name: str) -> float:
        number = next(number for number in one.numbers if number.name == name)
        return number.high - number.low

    assert width(blind, "throttle.leak_mm2") > 2.0 * width(fitted, "throttle.leak_mm2")
    assert any("without manifold pressure" in in_words(note) for note in blind.notes)


@pytest.fixture(scope="module")
def slow(car: Car, log: Log) -> Fit:
    return fit(car, thinned(log, 8))


def test_a_slow_log_still_fits(slow: Fit) -> None:
    truth = engine_figures(invented_car(), slow.at_steps)
    assert slow.rpm_per_step.value == pytest.approx(truth.rpm_per_step, rel=0.12)


def test_the_same_log_gives_the_same_fit_and_progress_is_told(car: Car, log: Log, slow: Fit) -> None:
    heard: list[float] = []
    again = fit(car, thinned(log, 8), on_progress=lambda share, _: heard.append(share))
    assert {**again.to_dict(), "seconds": 0.0} == {**slow.to_dict(), "seconds": 0.0}
    assert heard == sorted(heard)
    assert heard[-1] == 1.0


def test_a_second_log_makes_it_surer(car: Car, log: Log, slow: Fit) -> None:
    again = log_of(record_plan(invented_car(), recording_plan(car), seed=77), "second.csv")
    both = fit(car, [thinned(log, 8), thinned(again, 8)])
    width = [one.rpm_per_step.high - one.rpm_per_step.low for one in (both, slow)]
    assert width[0] < width[1]
    assert {one.log for one in both.curves} == {0, 1}


def test_spark_is_taken_from_the_log(car: Car) -> None:
    truth = with_values(invented_car(), {"spark": {"advance_deg_per_100rpm": 4.0}})
    recorded = log_of(record_plan(truth, recording_plan(car), seed=8))
    found = fit(car, recorded)
    assert found.car.spark.advance_deg_per_100rpm == pytest.approx(4.0, abs=0.4)
    worth = engine_figures(truth, found.at_steps).rpm_per_step
    assert found.rpm_per_step.value == pytest.approx(worth, rel=0.08)


def test_logs_that_cannot_be_fitted_are_refused(car: Car, log: Log) -> None:
    with pytest.raises(InputError, match="valve_steps: not in this log, and fit needs it"):
        fit(car, replace(log, valve_steps=None))
    short: dict[str, Any] = {name: values[:100] for name, values in log.columns().items()}
    with pytest.raises(InputError, match="no idling of 8 s or more found"):
        fit(car, replace(log, file="short.csv", parts=(slice(0, 100),), **short))
    standing = replace(log, rpm=np.zeros_like(log.rpm))
    with pytest.raises(InputError, match="no idling"):
        fit(car, standing)
