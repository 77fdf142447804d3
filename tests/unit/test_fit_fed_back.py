"""A fit to a log with feedback on is not trusted, says what more to hold, and is with that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim import bundled_logs, load_car
from tests.foreign_engine import make_engine
from tests.hunting_fits import advised, held_log, hunting_fits
from tests.idle_records import foreign_log, guessed_car, log_of
from tuning import fit
from tuning.identification.recording_guide import recording_plan
from tuning.identification.verdict import (
    HeldBack,
    direction_check,
    gain_check,
    moves_follow_speed,
    prediction_check,
)
from tuning.logs import Log, read_log
from workbench.words.wording import in_words


@pytest.fixture(scope="module")
def hunt() -> Log:
    return next(read_log(file) for file in bundled_logs() if "hunting" in str(file))


def test_a_hunting_log_alone_is_refused_and_told_what_would_tell(hunt: Log) -> None:
    found = fit(load_car("trials"), hunt)
    base, opened, *again = advised(found)
    assert not found.trusted
    assert again == [base, opened]
    assert 100.0 <= (opened - base) * found.rpm_per_step.value <= 200.0
    told = " ".join(in_words(reason) for reason in found.reasons)
    assert f"the valve at {base} steps for 10 s, at {opened} steps for 10 s" in told
    assert "wrong way round" not in told


def test_forty_seconds_by_hand_make_a_hunting_log_a_trusted_fit() -> None:
    made = hunting_fits(842, 180.0)
    assert made is not None
    alone, more = made
    assert not alone.trusted
    assert more.trusted
    assert more.near
    assert more.holds
    assert more.high_rpm - more.low_rpm < alone.high_rpm - alone.low_rpm


def test_held_positions_are_those_asked_for() -> None:
    engine = make_engine(841)
    log = held_log(engine, (20, 24, 20), 2.0, 1)
    assert log.valve_steps is not None
    assert log.time_s[-1] == pytest.approx(6.0)
    assert log.valve_steps[[5, 50, -5]].tolist() == [20.0, 24.0, 20.0]


@pytest.mark.parametrize("duration_s", [60.0, 120.0, 300.0])
def test_no_recording_as_planned_is_taken_for_feedback(duration_s: float) -> None:
    engine = make_engine(843)
    guess = guessed_car(engine)
    assert not moves_follow_speed(foreign_log(engine, recording_plan(guess, duration_s), 843))


def test_equal_moves_that_follow_speed_are_feedback_and_others_are_not(hunt: Log) -> None:
    assert moves_follow_speed(hunt)
    assert not moves_follow_speed(replace(hunt, valve_steps=None))
    assert not moves_follow_speed(replace(hunt, valve_steps=np.full(hunt.rpm.size, 12.0)))
    slow = np.arange(120.0 * 20) / 20.0
    steps = 20.0 + 2.0 * (slow % 10.0 > 5.0)
    after = np.concatenate([steps[:1], steps[:-1]])
    columns = {"time_s": slow, "valve_steps": steps}
    against = log_of({**columns, "rpm": 850.0 + 30.0 * (after - 21.0)})
    along = log_of({**columns, "rpm": 850.0 - 30.0 * (after - 21.0)})
    assert moves_follow_speed(against), "opens when speed has been low"
    assert not moves_follow_speed(along), "opens when speed has been high"


def test_with_feedback_on_throughout_no_interval_vouches() -> None:
    assert gain_check(30.0, (29.0, 31.0), False, 20.0, 180.0).passed
    asked = gain_check(30.0, (29.0, 31.0), True, 20.0, 180.0)
    assert not asked.passed
    assert (asked.note["base_steps"], asked.note["open_steps"]) == (20, 25)
    assert gain_check(30.0, (29.0, 31.0), True, 20.0, 22.0).note["open_steps"] == 22
    assert gain_check(90.0, (80.0, 95.0), True, 20.0, 180.0).note["open_steps"] == 23
    assert gain_check(-5.0, (-9.0, 1.0), True, 20.0, 180.0).note["open_steps"] == 28


def test_levels_are_asked_of_holds_by_hand_only() -> None:
    def held(measured_rpm: float, predicted_rpm: float) -> HeldBack:
        return HeldBack(0.0, 5.0, 0, measured_rpm, predicted_rpm, 5.0)

    missed = [held(800.0, 860.0), held(820.0, 790.0)]
    assert not prediction_check(missed, 8.0, [False]).passed
    assert prediction_check(missed, 8.0, [True]).passed
    rough = [replace(one, rms_rpm=40.0) for one in missed]
    assert not prediction_check(rough, 8.0, [True]).passed


def test_direction_is_not_seen_where_feedback_was_on() -> None:
    assert in_words(direction_check([], [], [True]).note).startswith("feedback was on throughout")
