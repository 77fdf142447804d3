"""Starts: cranking, first firings, run-up, hand-over to the running curves, stall and restart."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sim import Car, Scenario, Trace, load_car, load_scenario, simulate, with_values
from tuning.starts.story import start_story
from tuning.starts.trials import start_results, start_scenario

CARS = ("trials", "six", "twin")


def started(car: Car, coolant_degC: float, seed: int = 0) -> Trace:
    """One start, a minute long."""
    return simulate(car, start_scenario(coolant_degC), seed=seed)


def scenario(start: str, duration_s: float, *events: tuple[float, str, Any]) -> Scenario:
    """A scenario at 60 degC."""
    happens = [{"at_s": at, "set": name, "to": to} for at, name, to in events]
    return Scenario.model_validate(
        {
            "name": "start", "start": start, "duration_s": duration_s, "coolant_degC": 60.0,
            "event": happens,
        }
    )  # fmt: skip


@pytest.mark.parametrize("name", CARS)
def test_demo_cars_start_and_keep_running(name: str) -> None:
    (results,) = start_results([load_car(name)], [0.0, 10.0, 20.0, 40.0], [1, 2, 3, 4])
    assert all(one.runs for one in results)
    # A flare, but no racing; the colder, the longer it takes.
    assert all(100.0 < one.flare_rpm < 1200.0 for one in results)
    assert results[0].run_s > results[-1].run_s


@pytest.mark.parametrize("name", CARS)
def test_cranking_speed_falls_with_the_cold(name: str) -> None:
    # 200 to 250 rpm warm, 80 to 120 at -20 degC (from memory), give or take 20.
    car = load_car(name)
    warm = start_story(started(car, 60.0), car).cranking_rpm
    cold = start_story(started(car, -20.0), car).cranking_rpm
    assert 185.0 < warm < 265.0
    assert 60.0 < cold < 140.0


def test_nothing_is_lit_before_the_first_engine_cycle() -> None:
    trace = started(load_car("trials"), 20.0)
    turned = np.cumsum(np.diff(trace.time_s, prepend=0.0) * trace["speed_rpm"] / 60.0)
    first = np.flatnonzero(trace["torque_Nm"] > 0.0)[0]
    assert turned[first] > 2.0


def test_the_battery_sags_while_the_starter_turns_and_is_charged_afterwards() -> None:
    trace = started(load_car("trials"), 0.0)
    cranking = trace["key"] > 1.5
    before = trace.time_s < 2.0
    assert 11.5 < trace["battery_V"][before].max() <= 12.6
    assert 8.0 < trace["battery_V"][cranking].min() < 9.5
    assert trace["battery_V"][-1] == pytest.approx(13.8, abs=0.1)


def test_cranking_hands_over_to_base_and_fading_air() -> None:
    car = with_values(load_car("trials"), {"feedback": {"law": "none"}})
    trace = started(car, 20.0)
    run_s = trace.time_s[np.flatnonzero(trace["running"] > 0.5)[0]]
    period_s = car.feedback.update_period_ms / 1000.0
    cranking = float(np.interp(20.0, *np.asarray(car.curves.cranking_steps).T))
    after = float(np.interp(20.0, *np.asarray(car.curves.after_start_steps).T))
    before = (trace.time_s > 1.5) & (trace.time_s < run_s)
    assert np.all(trace["wanted_steps"][before] == np.floor(cranking + 0.5))
    for since_s in (1.0, 5.0, 10.0, 15.0, 25.0):
        at = np.searchsorted(trace.time_s, run_s + since_s)
        left = after * max(0.0, 1.0 - since_s / car.curves.after_start_fade_s)
        late = after / car.curves.after_start_fade_s * period_s
        wanted = trace["base_steps"][at] + left
        assert trace["wanted_steps"][at] == pytest.approx(wanted, abs=0.5 + late)


def test_feedback_waits_for_its_delay() -> None:
    car = load_car("trials")
    trace = started(car, 20.0)
    run_s = trace.time_s[np.flatnonzero(trace["running"] > 0.5)[0]]
    acts_s = trace.time_s[np.flatnonzero(trace["enabled"] > 0.5)[0]]
    assert acts_s >= run_s + car.feedback.enable_delay_s - 1e-9
    assert acts_s < run_s + car.feedback.enable_delay_s + 5.0


def test_switching_off_is_no_stall_and_the_engine_starts_again() -> None:
    trace = simulate(load_car("trials"), load_scenario("hot_restart"), seed=2)
    assert np.isnan(trace.stalled_s)
    stood = (trace.time_s > 30.0) & (trace.time_s < 40.0)
    assert trace["speed_rpm"][stood].max() == 0.0
    assert trace["rpm"][stood].max() == 0.0
    assert trace["running"][-1] == 1.0
    assert abs(trace["rpm"][trace.time_s > 90.0].mean() - 880.0) < 60.0


def test_a_stalled_engine_stands_until_it_is_cranked() -> None:
    happens = ((3.0, "torque_Nm", 60.0), (6.0, "torque_Nm", 0.0), (12.0, "key", "crank"))
    trace = simulate(load_car("trials"), scenario("idle", 40.0, *happens), seed=1)
    assert 3.0 < trace.stalled_s < 6.0
    stood = (trace.time_s > 8.0) & (trace.time_s < 12.0)
    assert trace["speed_rpm"][stood].max() == 0.0
    assert trace["trim_steps"][stood][-1] == 0.0
    assert trace["running"][-1] == 1.0
    assert trace.counters["stalled_s"] == trace.stalled_s


def test_cranking_a_running_engine_changes_nothing() -> None:
    car = load_car("trials")
    plain = simulate(car, scenario("idle", 10.0), seed=4)
    cranked = simulate(car, scenario("idle", 10.0, (5.0, "key", "crank")), seed=4)
    for name in ("rpm", "valve_steps"):
        np.testing.assert_array_equal(plain.resampled(name), cranked.resampled(name))


def test_a_tired_battery_cranks_slower() -> None:
    car = load_car("trials")
    tired = start_story(simulate(car, load_scenario("tired_battery"), seed=0), car)
    fresh = start_story(started(car, 0.0), car)
    assert tired.cranking_rpm < fresh.cranking_rpm - 15.0
    assert tired.lowest_V < fresh.lowest_V - 0.5


def start_of(name: str, curves: dict[str, Any]) -> Any:
    """Start a demo car at 10 degC on other curves, feedback off."""
    car = with_values(load_car(name), {"curves": curves})
    (results,) = start_results([car], [10.0], [1, 2, 3])
    return results[0]


NOTHING = [[-20, 0], [90, 0]]


@pytest.mark.parametrize("name", CARS)
def test_no_air_stalls_or_hardly_turns(name: str) -> None:
    found = start_of(name, {"base_steps": NOTHING, "after_start_steps": NOTHING})
    # What leaks past the twin's throttle keeps it turning, far too slowly.
    assert found.dip_rpm > 600.0 if name == "twin" else not found.runs


@pytest.mark.parametrize("name", CARS)
def test_much_after_start_air_flares(name: str) -> None:
    much = start_of(name, {"after_start_steps": [[-20, 25], [90, 25]]})
    none = start_of(name, {"after_start_steps": NOTHING})
    assert much.runs
    assert none.runs
    assert much.flare_rpm > none.flare_rpm + 100.0


@pytest.mark.parametrize("name", CARS)
def test_a_low_base_dips_once_after_start_air_has_gone(name: str) -> None:
    points = load_car(name).curves.base_steps
    low = start_of(name, {"base_steps": [[degC, max(steps - 10, 0)] for degC, steps in points]})
    assert not low.runs or low.dip_rpm > start_of(name, {}).dip_rpm + 80.0


@pytest.mark.parametrize("name", CARS)
def test_after_start_air_that_fades_slowly_hangs(name: str) -> None:
    slow = {"after_start_steps": [[-20, 20], [90, 20]], "after_start_fade_s": 60.0}
    assert late_rpm(name, slow) > late_rpm(name, {}) + 100.0
    assert start_of(name, slow).stable_s > 30.0


def late_rpm(name: str, curves: dict[str, Any]) -> float:
    """Mean speed from 22 to 30 s after the key, feedback off: where after-start air hangs on."""
    car = with_values(load_car(name), {"curves": curves, "feedback": {"law": "none"}})
    trace = started(car, 10.0)
    here = (trace.time_s > 24.0) & (trace.time_s < 32.0)
    return float(trace["rpm"][here].mean())
