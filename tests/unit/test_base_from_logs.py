"""The base curve that logs propose: what held the target, nowhere beyond what was recorded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim import Car, InputError, load_car, with_values
from tests.idle_records import CALM, simulated_log
from tests.said import said
from tuning.logs.log import Log
from tuning.open_loop.from_logs import base_from_logs


@pytest.fixture(scope="module")
def owner() -> Car:
    """The car with a base curve that is wrong: 3 steps short when warm, 4 too many when cool."""
    car = load_car("trials")
    base = [[degC, max(0.0, steps + (4.0 if degC < 60.0 else -3.0))] for degC, steps in car.curves.base_steps]
    return with_values(car, {"curves": {"base_steps": base}, "feedback": CALM})


@pytest.fixture(scope="module")
def logs(owner: Car) -> list[Log]:
    return [
        simulated_log(owner, seed=k, duration_s=60.0, coolant_degC=degC)
        for k, degC in enumerate((40.0, 65.0, 90.0))
    ]


def test_each_point_is_what_feedback_held(owner: Car, logs: list[Log]) -> None:
    found = base_from_logs(owner, logs)
    assert [round(p.coolant_degC) for p in found.points] == [40, 65, 90]
    for point, log in zip(found.points, logs, strict=True):
        assert log.valve_steps is not None
        held = float(np.mean(log.valve_steps[400:]))
        assert point.proposed_steps == pytest.approx(held, abs=1.5)
        assert point.seconds >= 30.0
    assert found.points[-1].held_steps > found.points[-1].now_steps + 1.0
    assert found.points[0].held_steps < found.points[0].now_steps - 1.0


def test_a_proposal_is_made_of_whole_steps_at_whole_degrees_none_twice(owner: Car, logs: list[Log]) -> None:
    found = base_from_logs(owner, [*logs, *logs])
    degrees, steps = zip(*found.curve, strict=True)
    assert len(set(degrees)) == len(degrees)
    assert all(float(one).is_integer() for one in (*degrees, *steps))


def test_it_falls_with_warmth_and_keeps_the_curve_beyond(owner: Car, logs: list[Log]) -> None:
    found = base_from_logs(owner, logs)
    degrees, steps = zip(*found.curve, strict=True)
    assert list(degrees) == sorted(degrees)
    assert list(steps) == sorted(steps, reverse=True)
    coldest = owner.curves.base_steps[0]
    assert found.curve[0] == (coldest[0], max(coldest[1], found.points[0].proposed_steps))
    changed = with_values(owner, {"curves": found.curves()})
    assert changed.curves.base_steps[0][0] == coldest[0]
    assert "Nothing was changed" in said(found.lines()[0])


def test_no_room_to_close_is_told(owner: Car, logs: list[Log]) -> None:
    # The throttle stop is open so far that the warm engine idles with the valve nearly shut.
    open_stop = with_values(owner, {"throttle": {"leak_mm2": 1.2 * owner.throttle.leak_mm2}})
    log = simulated_log(open_stop, seed=5, coolant_degC=90.0)
    found = base_from_logs(open_stop, log)
    assert not found.can_close
    assert any("close the throttle stop" in note for note in said(found.notes))
    assert base_from_logs(owner, logs).can_close


def test_logs_without_steps_or_temperature_are_refused(owner: Car, logs: list[Log]) -> None:
    poor = replace(logs[0], valve_steps=None, coolant_degC=None)
    with pytest.raises(InputError) as caught:
        base_from_logs(owner, [poor])
    assert len(caught.value.problems) == 2
    with pytest.raises(InputError, match="no settled idling"):
        base_from_logs(owner, replace(logs[0], rpm=logs[0].rpm + 300.0))
