"""One model, three ways to run it: narrated by SimPy, event by event, eight lanes side by side.

They must agree to the last bit: in every sample of the batch, and in the whole state (for the
lanes all but ``BOOKS``), in full precision, at the end and at moments in mid-run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from controllers import MEMORY_FIELDS, TICKS_PER_s
from sim import (
    COUNTERS,
    Car,
    Fleet,
    Plan,
    SAMPLE_s,
    Scenario,
    make_fleet,
    run_plan,
    settings_table,
    with_values,
)
from sim.batch import run_rows
from sim.fleet import sample_count
from sim.happenings import SETTABLE
from sim.prepare import new_blocks
from sim.records import STATE_FIELDS
from sim.runs import LANES, write_counters
from sim.scenario import EVENT_RANGES
from sim.schedule import NarratedRun, single_plan
from tests.random_cars import random_car, random_scenario

RUNS = 200
AGREE_rpm = 1e-9
KINDS = (*EVENT_RANGES, "key")
"""Every kind of event that scenario files accept."""

# Lanes draw and look up ahead of need, and keep notes of which path they take: not the run's state.
NOTES = {"gauss", "sensor_gauss", "balance", "event", "scalar"}
STATE_ROWS = [i for i, name in enumerate(STATE_FIELDS) if name not in NOTES]
BOOKS = {"in_kg", "out_kg", "indicated_J", "resisted_J", "map_sensed_Pa"}
"""Kept by the narrated run and the plain loop alone; nothing that moves the engine reads them."""
LANE_ROWS = [i for i in STATE_ROWS if STATE_FIELDS[i] not in BOOKS]
MEMORY_ROWS = [i for i, name in enumerate(MEMORY_FIELDS) if name != "spark_trim_deg"]
MOVING = ("tick", "map_Pa", "speed_rad_s", "angle_rad", "given_W", "drawn_kg", "in_kg", "out_kg",
          "resisted_J", "indicated_J", "torque_Nm", "firings", "measured_rpm", "film_kg",
          "believed_steps", "map_sensed_Pa", "map_lagged_Pa", "lambda_", "spark_deg")  # fmt: skip
"""What handling a scenario event leaves alone: comparable before and after it."""


@dataclass(frozen=True)
class Batch:
    """Samples and counters of a plan, row by row."""

    rpm: np.ndarray
    steps: np.ndarray
    counters: np.ndarray


@dataclass(frozen=True)
class Cases:
    """Cars with a scenario and a seed each."""

    cars: list[Car]
    scenarios: list[Scenario]
    fleet: Fleet
    plan: Plan


def one_by_one(cars: list[Car], scenarios: list[Scenario], seed: int) -> Cases:
    """A plan that runs car n in scenario n."""
    rng = np.random.default_rng(seed)
    count = len(cars)
    fleet = make_fleet(cars, scenarios)
    index = np.arange(count)
    plan = Plan(
        cars=fleet.cars,
        settings=settings_table(cars),
        scenarios=fleet.scenarios,
        car=index,
        setting=index,
        scenario=index,
        seed=rng.integers(0, 2**31, count).astype(float),
        base_error_steps=rng.uniform(-3.0, 3.0, count),
        rpm_offset=rng.uniform(-60.0, 150.0, count),
    )
    return Cases(cars, scenarios, fleet, plan)


@pytest.fixture(scope="module")
def cases() -> Cases:
    """The 200 random cases; each kind of event occurs in dozens of them."""
    rng = np.random.default_rng(20240611)
    cars = [random_car(rng) for _ in range(RUNS)]
    scenarios = [
        random_scenario(rng, tuple(rng.choice(KINDS, size=int(rng.integers(0, 6))))) for _ in range(RUNS)
    ]
    return one_by_one(cars, scenarios, 1)


def run(cases: Cases, **how: Any) -> Batch:
    """Run a plan and keep everything."""
    count, samples = len(cases.plan.car), sample_count(cases.fleet)
    kept = Batch(
        np.empty((count, samples), np.float32),
        np.empty((count, samples), np.float32),
        np.empty((count, len(COUNTERS))),
    )

    def keep(rows: np.ndarray, rpm: np.ndarray, steps: np.ndarray, counters: np.ndarray) -> None:
        kept.rpm[rows], kept.steps[rows], kept.counters[rows] = rpm, steps, counters

    run_plan(cases.fleet, cases.plan, keep, **how)
    return kept


def assert_same(one: Batch, other: Batch) -> None:
    """Two batches agree in every bit."""
    np.testing.assert_array_equal(one.rpm, other.rpm)
    np.testing.assert_array_equal(one.steps, other.steps)
    np.testing.assert_array_equal(one.counters, other.counters)


@pytest.fixture(scope="module")
def lanes(cases: Cases) -> Batch:
    """All cases, eight side by side."""
    return run(cases, cores=1, side_by_side=True)


def final_states(cases: Cases, side_by_side: bool) -> tuple[np.ndarray, np.ndarray]:
    """State and controller memory in full precision when each run has ended, row by row."""
    blocks = new_blocks()
    count, samples = len(cases.plan.car), sample_count(cases.fleet)
    rpm = np.zeros((LANES, samples), np.float32)
    steps = np.zeros_like(rpm)
    counters = np.zeros((LANES, len(COUNTERS)))
    states = np.empty((count, len(STATE_FIELDS)))
    memories = np.empty((count, len(MEMORY_FIELDS)))
    at_once = LANES if side_by_side else 1
    for first in range(0, count, at_once):
        last = min(first + at_once, count)
        parts = run_rows(
            blocks, cases.plan, cases.fleet.tables, first, last,
            rpm, steps, counters, True, side_by_side,
        )  # fmt: skip
        assert not list(parts)  # short enough to be done in one call
        states[first:last] = blocks.state_matrix[:, : last - first].T
        memories[first:last] = blocks.memory_matrix[:, : last - first].T
    return states, memories


@dataclass(frozen=True)
class Told:
    """One narrated run: its recorded rows and its end in full precision."""

    run: NarratedRun
    states: np.ndarray
    times_s: np.ndarray
    rpm: np.ndarray
    steps: np.ndarray
    counters: np.ndarray


def narrate(cases: Cases, row: int) -> Told:
    """Run one case as SimPy processes."""
    plan = cases.plan
    single = single_plan(
        cases.cars[row],
        cases.scenarios[row],
        int(plan.seed[row]),
        float(plan.base_error_steps[row]),
        float(plan.rpm_offset[row]),
    )
    told = NarratedRun(cases.cars[row], cases.scenarios[row], single)
    told.run()
    times_s, signals = told.recorder.finish()
    counters = np.zeros(len(COUNTERS))
    write_counters(told.blocks, 0, counters)
    states = np.asarray(told.recorder._states)
    return Told(told, states, times_s, signals["rpm"], signals["valve_steps"], counters)


@pytest.fixture(scope="module")
def narrated(cases: Cases) -> list[Told]:
    """All cases as SimPy processes."""
    return [narrate(cases, row) for row in range(RUNS)]


def test_the_cases_are_worth_comparing(cases: Cases, lanes: Batch) -> None:
    kinds = {event.set for scenario in cases.scenarios for event in scenario.event}
    assert kinds == set(KINDS) == set(SETTABLE) - {"count_from_here"}
    laws = [car.feedback.law for car in cases.cars]
    assert min(laws.count(law) for law in ("none", "pi", "pid", "nudge", "pi_park")) > 20
    moves, stalled = lanes.counters[:, 0], np.isfinite(lanes.counters[:, 5])
    assert (moves > 3).sum() > RUNS // 4
    assert 0 < stalled.sum() < RUNS // 3
    assert np.isfinite(lanes.rpm).all()


def test_lanes_and_plain_loop_agree_in_every_sample(cases: Cases, lanes: Batch) -> None:
    assert_same(lanes, run(cases, cores=1, side_by_side=False))


def test_lanes_and_plain_loop_end_in_the_same_state(cases: Cases) -> None:
    (states, memories), (plain_states, plain_memories) = (
        final_states(cases, side_by_side) for side_by_side in (True, False)
    )
    np.testing.assert_array_equal(states[:, LANE_ROWS], plain_states[:, LANE_ROWS])
    np.testing.assert_array_equal(memories[:, MEMORY_ROWS], plain_memories[:, MEMORY_ROWS])


def test_narrated_run_agrees_in_every_sample(cases: Cases, lanes: Batch, narrated: list[Told]) -> None:
    for row, told in enumerate(narrated):
        count = int(cases.scenarios[row].duration_s / SAMPLE_s)
        ends = (np.arange(count) + 1) * SAMPLE_s
        last = np.searchsorted(told.times_s, ends - 1e-10) - 1
        np.testing.assert_array_equal(told.rpm[last].astype(np.float32), lanes.rpm[row, :count])
        np.testing.assert_array_equal(told.steps[last], lanes.steps[row, :count])
        np.testing.assert_array_equal(told.counters, lanes.counters[row])


def test_narrated_run_ends_in_the_same_state(cases: Cases, narrated: list[Told]) -> None:
    states, memories = final_states(cases, side_by_side=False)
    told_states = np.stack([told.run.blocks.state_matrix[:, 0] for told in narrated])
    told_memories = np.stack([told.run.blocks.memory_matrix[:, 0] for told in narrated])
    np.testing.assert_array_equal(told_states[:, STATE_ROWS], states[:, STATE_ROWS])
    np.testing.assert_array_equal(told_memories[:, MEMORY_ROWS], memories[:, MEMORY_ROWS])


@pytest.mark.parametrize("side_by_side", [False, True])
def test_narrated_run_agrees_in_full_precision_in_mid_run(
    cases: Cases, narrated: list[Told], side_by_side: bool
) -> None:
    # A run cut short at an event of its scenario ends in the state that the whole run has there.
    cut: list[tuple[int, float]] = []
    scenarios = []
    for row, scenario in enumerate(cases.scenarios):
        for event in scenario.event:
            # Homing and the key change at once what the valve is believed to be, and coolant the
            # pressure of the manifold's air.
            if event.set not in ("home", "key", "coolant_degC") and 1.0 <= event.at_s < scenario.duration_s:
                earlier = tuple(e for e in scenario.event if e.at_s < event.at_s)
                changes = {"duration_s": event.at_s, "event": earlier}
                scenarios.append(scenario.model_copy(update=changes))
                cut.append((row, float(round(event.at_s * TICKS_PER_s))))
    assert len(cut) > RUNS
    rows = np.asarray([row for row, _ in cut])
    short = one_by_one([cases.cars[row] for row in rows], scenarios, 0)
    plan = short.plan._replace(
        seed=cases.plan.seed[rows],
        base_error_steps=cases.plan.base_error_steps[rows],
        rpm_offset=cases.plan.rpm_offset[rows],
    )
    cases_cut = Cases(short.cars, scenarios, short.fleet, plan)
    states, _ = final_states(cases_cut, side_by_side)
    compared = [name for name in MOVING if not (side_by_side and name in BOOKS)]
    columns = [STATE_FIELDS.index(name) for name in compared]
    speed = compared.index("speed_rad_s")
    for state, (row, tick) in zip(states, cut, strict=True):
        whole = narrated[row].states
        at = int(np.searchsorted(whole[:, 0], tick, side="right")) - 1
        np.testing.assert_array_equal(whole[at, columns], state[columns])
        assert abs(whole[at, columns][speed] - state[columns][speed]) * 9.5493 <= AGREE_rpm


def test_one_core_and_two_agree(cases: Cases, lanes: Batch) -> None:
    # Five copies make more than two chunks, so that both threads have work.
    many = np.tile(np.arange(RUNS), 5)
    plan = cases.plan._replace(
        **{
            name: getattr(cases.plan, name)[many]
            for name in ("car", "setting", "scenario", "seed", "base_error_steps", "rpm_offset")
        }
    )
    two = run(Cases(cases.cars, cases.scenarios, cases.fleet, plan), cores=2)
    for copy in range(5):
        part = slice(copy * RUNS, (copy + 1) * RUNS)
        assert_same(lanes, Batch(two.rpm[part], two.steps[part], two.counters[part]))


def test_the_order_of_runs_does_not_matter(cases: Cases, lanes: Batch) -> None:
    order = np.random.default_rng(3).permutation(RUNS)
    plan = cases.plan._replace(
        car=order,
        setting=order,
        scenario=order,
        seed=cases.plan.seed[order],
        base_error_steps=cases.plan.base_error_steps[order],
        rpm_offset=cases.plan.rpm_offset[order],
    )
    mixed = run(Cases(cases.cars, cases.scenarios, cases.fleet, plan), cores=1)
    assert_same(mixed, Batch(lanes.rpm[order], lanes.steps[order], lanes.counters[order]))


def plainer(car: Car) -> Car:
    """The same car without what only the full loop does."""
    return with_values(
        car,
        {
            "engine": {"cylinder_balance": (1.0,) * car.engine.cylinders},
            "spark": {"advance_deg_per_100rpm": 0.0},
            "mixture": {"wall_share": 0.0, "fuelling_lag_s": 0.0},
            "sensors": {"rpm_resolution_rpm": 0.0, "rpm_noise_rpm": 0.0},
            "feedback": {"spark_trim_deg_per_100rpm": 0.0},
        },
    )


def test_basic_and_full_loop_agree_where_both_apply(cases: Cases) -> None:
    kinds = [
        kind
        for kind in KINDS
        if kind not in ("advance_deg_per_100rpm", "rpm_noise_rpm", "weak_cylinder_share")
    ]
    rng = np.random.default_rng(5)
    count = 64
    plain = one_by_one(
        [plainer(car) for car in cases.cars[:count]],
        [random_scenario(rng, tuple(rng.choice(kinds, size=i % 5))) for i in range(count)],
        6,
    )
    assert not plain.fleet.needs_full
    basic = run(plain, cores=1)
    assert_same(basic, run(plain, cores=1, full=True))
    assert_same(basic, run(plain, cores=1, full=False, side_by_side=False))
