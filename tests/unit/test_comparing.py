"""What of a log is compared with what was predicted, and what a difference comes to."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sim import InputError, load_car
from tests.idle_records import log_of, simulated_log
from tuning.logs.log import Log
from tuning.prediction.comparing import compare, longest_idling, switched_loads, windows_of
from tuning.prediction.result import Asked, Comparison, Overlay, compared_measure
from workbench.words.wording import in_words

NONE = np.zeros(0)


def idle_log(length_s: float, **columns: np.ndarray) -> Log:
    """A log of a steady idle, a row each tenth of a second."""
    time_s = np.arange(0.0, length_s, 0.1)
    speed = 880.0 + 6.0 * np.sin(7.0 * time_s)
    held = {"valve_steps": np.full(time_s.size, 12.0), "throttle_percent": np.zeros(time_s.size)}
    return log_of({"time_s": time_s, "rpm": speed, **held, **columns})


def test_the_longest_idling_is_compared_and_no_more_than_four_minutes_of_it() -> None:
    rows = longest_idling(idle_log(400.0))
    assert (rows.start, rows.stop) == (0, 2400)
    with pytest.raises(InputError, match="no idling of 20 s or more found"):
        longest_idling(idle_log(15.0))


def test_recorded_loads_are_taken_as_they_are_above_the_least() -> None:
    watts = np.concatenate([np.full(300, 190.0), np.full(300, 100.0), np.full(400, 250.0)])
    log = idle_log(100.0, load_W=watts)
    loads = switched_loads(log, slice(0, 1000))
    assert loads == [(0.0, 90.0), (pytest.approx(30.0), 0.0), (pytest.approx(60.0), 150.0)]
    spans = [(first, past) for kind, first, past in windows_of(log, slice(0, 1000), loads) if kind == "load"]
    assert spans == [pytest.approx((30.0, 45.0)), pytest.approx((60.0, 75.0))]


def test_a_load_is_watched_until_the_next_one_and_none_that_comes_too_early_or_late() -> None:
    log = idle_log(60.0, load_W=np.zeros(600))
    loads = [(3.0, 90.0), (20.0, 180.0), (28.0, 0.0), (57.0, 90.0)]
    spans = [(first, past) for kind, first, past in windows_of(log, slice(0, 600), loads) if kind == "load"]
    assert spans == [pytest.approx((20.0, 28.0)), pytest.approx((28.0, 43.0))]


@pytest.mark.parametrize(
    ("recorded", "agrees", "inside"),
    [(12.0, True, True), (19.0, True, False), (24.0, False, False), (1.9, False, False)],
)
def test_a_measure_agrees_within_the_range_and_its_margin(
    recorded: float, agrees: bool, inside: bool
) -> None:
    runs = np.linspace(10.0, 18.0, 41)  # the tenth part ends at 10.8 and 17.2, the middle is 14
    one = compared_measure(Asked("dip_rpm", "rpm", 5.0, least=2.0), runs, recorded)
    assert one is not None
    told = [one.predicted, one.low, one.high, one.least, one.most]
    assert told == pytest.approx([14.0, 10.8, 17.2, 5.8, 22.2])
    assert (one.agrees, one.inside) == (agrees, inside)


def test_a_measure_that_most_runs_or_the_record_lack_is_not_compared() -> None:
    asked = Asked("settle_s", "s", 1.5)
    assert compared_measure(asked, np.linspace(1.0, 2.0, 10), None) is None
    assert compared_measure(asked, np.array([1.0, np.nan, np.nan, np.nan]), 1.0) is None
    assert compared_measure(asked, np.array([1.0, 2.0, 3.0, np.nan]), 1.0) is not None


def told(hunts_rpm: float = 0.0, **recorded: float) -> list[str]:
    """What is told of a comparison with these recorded where about 10 of each were predicted."""
    spread = np.linspace(8.0, 12.0, 21)
    rows = [compared_measure(Asked(name, "", 3.0, least=-np.inf), spread, value)
            for name, value in recorded.items()]  # fmt: skip
    overlay = Overlay(NONE, NONE, NONE, NONE, NONE, NONE, NONE)
    made = Comparison("car", "log.csv", tuple(row for row in rows if row), 0.0, 60.0, (), overlay, hunts_rpm)
    return [in_words(line) for line in made.lines()]


@pytest.mark.parametrize(
    ("case", "says"),
    [
        ({"mean_steps": 10.0}, ["does what was predicted: 1 of 1", "Nothing to change"]),
        ({"mean_steps": 13.0}, ["does what was predicted: 0 of 1", "Raise the base curve by 3"]),
        ({"mean_steps": 6.0}, ["does what was predicted: 0 of 1", "Lower the base curve by 4"]),
        ({"mean_steps": 13.0, "mean_error_rpm": -80.0}, [
            "differs from the prediction in", "", "Speed was 80 rpm above target with the valve"]),
        ({"hunting_rpm": 12.5, "dip_rpm": 13.0}, [
            "near the prediction", "It swings more: widen the deadband"]),
        ({"hunting_rpm": 400.0}, ["differs from the prediction in", "", "It swings more: halve both"]),
        ({"hunting_rpm": 10.0, "hunts_rpm": 60.0}, ["does what was predicted: 1 of 1", "It hunts by 60 rpm"]),
        ({"settle_s": 14.0, "dip_rpm": 10.0}, ["does what was predicted: 1 of 2", "It recovers late"]),
    ],
)  # fmt: skip
def test_what_to_change_next_follows_from_what_is_outside(case: dict[str, Any], says: list[str]) -> None:
    lines = told(**case)
    assert len(lines) == len(says), lines
    assert all(words in line for line, words in zip(lines, says, strict=True)), lines


def test_a_log_of_the_car_itself_is_as_predicted_and_of_another_is_not() -> None:
    car = load_car("twin")
    log = simulated_log(car, [(25.0, "electrical_W", 100.0), (45.0, "electrical_W", 0.0)], duration_s=70.0)
    watts = np.where((log.time_s >= 25.0) & (log.time_s < 45.0), 100.0, 0.0)
    found = compare(car, replace(log, load_W=watts))
    assert found.agrees, [in_words(line) for line in found.lines()]
    assert [kind for kind, *_ in found.windows].count("load") == 2
    assert found.notes == ()
    assert found.overlay.recorded_rpm.size == found.overlay.predicted_rpm.size
    assert (found.overlay.low_rpm <= found.overlay.high_rpm).all()
    other = compare(load_car("six"), replace(log, load_W=None, valve_steps=None, target_rpm=None))
    assert not other.agrees
    assert "moves_per_min" not in [row.name for row in other.rows]
    assert other.overlay.recorded_steps.size == 0
