"""Runs that have no good end still have one: over-speed, a valve asked beyond its stop, a stop."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np
import pytest

from sim import (
    COUNTERS,
    Car,
    Scenario,
    full_plan,
    load_car,
    make_fleet,
    run_plan,
    settings_table,
    simulate,
    with_values,
)
from sim.batch import MOST_SPENT, run_rows
from sim.fleet import sample_count
from sim.friction_limits import OVERSPEED_rpm
from sim.linearise import linearise, settled_rpm
from sim.prepare import equilibrium, new_blocks
from tuning import explain
from tuning.measures import measure, races
from workbench.figures.trace import trace_finding
from workbench.words.wording import in_words

WIDE_OPEN = {"at_s": 1.0, "set": "throttle_share", "to": 1.0}
TRAVEL, COUNTED = 40, 52


def scenario(*events: dict[str, Any], duration_s: float = 20.0) -> Scenario:
    """An idle of a warm engine."""
    values = {"name": "racing", "duration_s": duration_s, "coolant_degC": 90.0, "event": events}
    return Scenario.model_validate(values)


def light_engine() -> Car:
    """The trials car with hardly any friction: nothing holds it with the throttle open."""
    return with_values(load_car("trials"), {"engine": {"friction_bar": [0.1, 0.0, 0.0]}})


def short_travel() -> Car:
    """A car whose base curve asks for more than its valve can open."""
    return with_values(
        load_car("trials"),
        {
            "valve": {"travel_steps": TRAVEL, "useful_travel_steps": 35, "open_limit_steps": 100},
            "curves": {"base_steps": [[20.0, float(COUNTED)], [90.0, float(COUNTED)]]},
        },
    )


@pytest.mark.parametrize("side_by_side", [True, False])
def test_over_speed_ends_a_run_as_racing_however_it_is_run(side_by_side: bool) -> None:
    told = simulate(light_engine(), scenario(WIDE_OPEN), seed=3)
    assert told.events[-1].name == "racing"
    assert told.time_s[-1] == told.counters["raced_s"] < 10.0
    fleet = make_fleet([light_engine()], [scenario(WIDE_OPEN)])
    plan = full_plan(fleet, settings_table([light_engine()]), seeds=[3])
    raced: list[float] = []

    def keep(_rows: object, rpm: np.ndarray, _steps: object, counters: np.ndarray) -> None:
        raced.append(float(counters[0, COUNTERS.index("raced_s")]))
        assert rpm.shape == (1, sample_count(fleet))
        assert 0.9 * OVERSPEED_rpm < rpm[0, -1] < 1.1 * OVERSPEED_rpm

    run_plan(fleet, plan, keep, cores=1, side_by_side=side_by_side)
    assert raced == [told.counters["raced_s"]]


def test_an_idle_does_not_race() -> None:
    told = simulate(load_car("trials"), scenario())
    assert np.isnan(told.counters["raced_s"])
    assert told.time_s[-1] == 20.0


def test_a_valve_asked_beyond_its_stop_stands_there_and_moves_when_told() -> None:
    car = short_travel()
    trace = simulate(car, scenario())
    assert trace["believed_steps"][0] == COUNTED
    assert trace["shaft_steps"][0] == TRAVEL
    assert trace["lost_steps"][0] == COUNTED - TRAVEL
    assert trace["shaft_steps"].max() <= TRAVEL
    moved = trace["believed_steps"] - trace["shaft_steps"]
    assert set(np.unique(moved)) == {float(COUNTED - TRAVEL)}  # both go the same way
    assert trace["shaft_steps"][-1] < TRAVEL


def test_what_is_beyond_the_stop_opens_nothing_more() -> None:
    car = short_travel()
    at_stop = equilibrium(car, float(TRAVEL))["rpm"]
    assert equilibrium(car, float(COUNTED))["rpm"] == at_stop
    assert list(settled_rpm(car, [TRAVEL, COUNTED])) == pytest.approx([at_stop, at_stop], abs=1e-6)
    assert linearise(car, float(COUNTED)) == linearise(car, float(TRAVEL))


def test_racing_is_told_before_all_else() -> None:
    """At nearly twice its target for the whole run it was told not to hunt."""
    car = short_travel()
    trace = simulate(car, scenario())
    measures = measure(trace)
    assert races(measures.mean_error_rpm, trace.counters["target_rpm"])
    assert "it races, " in trace_finding(trace, measures, None)
    first = in_words(explain(car, quick=True).lines()[0])
    assert first.startswith("It races from 36 of 36 starting conditions")
    assert f"The base curve asks for {COUNTED} steps, beyond the valve's stop at {TRAVEL}" in first
    raced = simulate(light_engine(), scenario(WIDE_OPEN), seed=3)
    assert "over-speed ends the run" in trace_finding(raced, measure(raced), None)


def long_plan(runs: int) -> tuple[Any, ...]:
    """Half an hour of idle a run, in rows for compiled code."""
    car = load_car("trials")
    fleet = make_fleet([car], [scenario(duration_s=1800.0)])
    plan = full_plan(fleet, settings_table([car]), seeds=range(runs))
    samples = np.zeros((2, runs + 8, sample_count(fleet)), dtype=np.float32)
    counters = np.zeros((runs + 8, len(COUNTERS)))
    given = (new_blocks(), plan, fleet.tables, 0, runs, samples[0], samples[1], counters)
    return (*given, False, True)


def test_compiled_calls_are_short_and_go_on_where_they_left_off() -> None:
    together = long_plan(24)
    calls = 1 + sum(1 for _ in run_rows(*together))
    firings = 24 / 8 * 1800.0 * 850.0 / 30.0
    assert calls >= firings / MOST_SPENT
    alone = long_plan(24)
    for first in range(24):
        rows = slice(first, first + 8)
        kept = alone[5][rows], alone[6][rows], alone[7][rows]
        for _ in run_rows(alone[0], alone[1], alone[2], first, first + 1, *kept, False, True):
            pass
    np.testing.assert_array_equal(together[5][:24], alone[5][:24])
    np.testing.assert_array_equal(together[7][:24], alone[7][:24])


def test_a_stop_ends_runs_of_hours_within_a_call_or_two() -> None:
    """Whoever waits is interrupted between calls; the other threads stop at theirs."""
    car = load_car("trials")
    fleet = make_fleet([car], [scenario(duration_s=1800.0)])
    plan = full_plan(fleet, settings_table([car]), seeds=range(1024))
    finished: list[int] = []

    class StopError(Exception):
        """What an interruption looks like."""

    def keep(rows: np.ndarray, *_: object) -> None:
        finished.append(len(rows))
        raise StopError

    before = threading.active_count()
    with pytest.raises(StopError):
        run_plan(fleet, plan, keep, cores=2)
    assert sum(finished) <= 512  # of four chunks of 256 at most the two that were under way
    assert threading.active_count() == before
