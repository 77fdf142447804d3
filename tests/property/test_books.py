"""The books: air and work are conserved, and no number is ever lost, however silly the car."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from controllers import MEMORY_FIELDS, NEVER, TICKS_PER_s, matrix
from sim import COUNTERS, Car, Scenario, load_car, make_fleet, settings_table, with_values
from sim.batch import run_rows
from sim.fleet import sample_count
from sim.friction_limits import OVERSPEED_rpm
from sim.prepare import car_row, new_blocks
from sim.records import CAR_FIELDS, STATE_FIELDS
from sim.runs import LANES, Plan
from sim.schedule import NarratedRun, single_plan
from sim.sensors import RPM_PER_rad_s
from sim.thermal import manifold_K
from tests.random_cars import random_car, random_scenario
from tests.silly_cars import silly_cars, silly_scenarios

MASS_SHARE = 1e-6
WORK_SHARE = 1e-6
KINDS = ("lamps", "fan", "steering", "throttle_share", "vacuum_leak_mm2", "torque_Nm",
         "electrical_W", "weak_cylinder_share", "lost_steps", "coolant_degC")  # fmt: skip


@dataclass(frozen=True)
class Books:
    """Recorded rows of one run, the parameters of its car and the surroundings."""

    states: np.ndarray
    car: dict[str, float]
    ambient_K: float

    def column(self, name: str) -> np.ndarray:
        """One field of the state over all events."""
        return self.states[:, STATE_FIELDS.index(name)]


def books(
    car: Car, scenario: Scenario, seed: int = 1, rpm_offset: float = 0.0, base_error_steps: float = 0.0
) -> Books:
    """Run one car event by event and keep every state."""
    run = NarratedRun(car, scenario, single_plan(car, scenario, seed, base_error_steps, rpm_offset))
    run.run()
    row = matrix(car_row(car))[0]
    states = np.asarray(run.recorder._states)
    named = dict(zip(CAR_FIELDS, row, strict=True))
    return Books(states, named, scenario.ambient_degC + 273.15)


def mass_gap_share(kept: Books) -> float:
    """Largest gap in the air's books at any event, over the air that has passed by then."""
    warm_K = kept.car["warm_gas_K"]
    air_K = np.array([manifold_K(c, kept.ambient_K, warm_K) for c in kept.column("coolant_degC")])
    held = kept.column("map_Pa") / (kept.car["warm_gas_Pa_per_kg"] * air_K / warm_K)
    passed, drawn = kept.column("in_kg"), kept.column("out_kg")
    return float(np.max(np.abs(passed - drawn - (held - held[0])) / (passed + held[0])))


def work_gap_share(kept: Books) -> float:
    """Largest gap in the crank's books at any event before a stall, over the work done by then."""
    speed = kept.column("speed_rad_s")
    kinetic = 0.5 / kept.car["inverse_inertia"] * (speed**2 - speed[0] ** 2)
    gap = kept.column("indicated_J") - kept.column("resisted_J") - kinetic
    scale = kept.column("indicated_J") + 0.5 / kept.car["inverse_inertia"] * speed[0] ** 2
    running = kept.column("running") > 0.5
    return float(np.max(np.abs(gap[running]) / scale[running]))


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
def test_books_of_the_demo_cars_close(name: str) -> None:
    events = [
        {"at_s": 2.0, "set": "lamps", "to": 1.0},
        {"at_s": 4.03, "set": "throttle_share", "to": 0.5},
        {"at_s": 4.5, "set": "throttle_share", "to": 0.0},
        {"at_s": 9.0, "set": "vacuum_leak_mm2", "to": 3.0},
    ]
    scenario = Scenario.model_validate({"name": "blip", "duration_s": 12.0, "event": events})
    kept = books(load_car(name), scenario)
    assert kept.column("map_Pa").max() > 60e3
    assert mass_gap_share(kept) < MASS_SHARE
    assert work_gap_share(kept) < WORK_SHARE


@pytest.mark.parametrize("seed", range(40))
def test_books_of_random_cars_close(seed: int) -> None:
    rng = np.random.default_rng(1000 + seed)
    car = random_car(rng)
    scenario = random_scenario(rng, tuple(rng.choice(KINDS, size=seed % 5)))
    kept = books(car, scenario, seed, rpm_offset=100.0)
    assert mass_gap_share(kept) < MASS_SHARE
    assert work_gap_share(kept) < WORK_SHARE


def test_charges_burnt_are_the_air_drawn() -> None:
    # Work of the charges since the start, at the efficiency in force, is the air drawn between
    # firings times work per air: nothing is burnt twice or left out.
    base = load_car("trials")
    changes: dict[str, dict[str, object]] = {
        "engine": {"scatter_share": 0.0, "cylinder_balance": [1.0] * 4},
        "feedback": {"law": "none"},
    }
    car = with_values(base, changes)
    kept = books(car, Scenario(name="idle", duration_s=10.0), rpm_offset=50.0)
    fired = np.flatnonzero(np.diff(kept.column("firings")) > 0.5) + 1
    drawn = np.diff(kept.column("out_kg")[fired])
    burnt = kept.column("work0")[fired][1:]
    ratio = burnt / (drawn * kept.car["work_J_per_kg"] * kept.column("efficiency")[0])
    np.testing.assert_allclose(ratio, 1.0, rtol=1e-9)


BASE_ERRORS, BEGINS_rpm = np.linspace(-5.0, 5.0, LANES), np.linspace(-300.0, 600.0, LANES)


@cache
def memory(samples: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Arrays for one block of runs."""
    counters = np.zeros((LANES, len(COUNTERS)))
    return np.zeros((LANES, samples), np.float32), np.zeros((LANES, samples), np.float32), counters


def run_eight_seeds(
    car: Car, scenario: Scenario, side_by_side: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Samples, counters, final states and memories of a car with eight seeds and offsets."""
    fleet = make_fleet([car], [scenario])
    zeros = np.zeros(LANES, dtype=np.int64)
    plan = Plan(
        fleet.cars, settings_table([car]), fleet.scenarios, zeros, zeros, zeros,
        np.arange(LANES, dtype=float), BASE_ERRORS, BEGINS_rpm,
    )  # fmt: skip
    blocks = new_blocks()
    rpm, steps, counters = memory(sample_count(fleet))
    count = LANES if side_by_side else 1
    for _ in run_rows(
        blocks, plan, fleet.tables, 0, count, rpm, steps, counters, True, side_by_side,
    ):  # fmt: skip
        pass
    shown = np.concatenate([rpm[:count], steps[:count]], axis=1)
    kept = counters[:count].copy()
    return shown, kept, blocks.state_matrix[:, :count], blocks.memory_matrix[:, :count]


BEGINS_BELOW_rad_s = 1000.0
LEAST_Pa = 1.0


def assert_all_finite(car: Car, scenario: Scenario, side_by_side: bool = True) -> None:
    """Every sample, counter, state and memory is a finite number of a possible size."""
    shown, counters, states, memories = run_eight_seeds(car, scenario, side_by_side)
    assert np.isfinite(shown).all()
    moments = [COUNTERS.index(name) for name in ("stalled_s", "raced_s")]  # nan: it did not
    assert np.isfinite(np.delete(counters, moments, axis=1)).all()
    lost = [STATE_FIELDS[row] for row in np.flatnonzero(~np.isfinite(states).all(axis=1))]
    assert lost == []
    lost = [MEMORY_FIELDS[row] for row in np.flatnonzero(~np.isfinite(memories).all(axis=1))]
    assert lost == []
    row = {name: states[i] for i, name in enumerate(STATE_FIELDS)}
    raced = row["raced_tick"] < NEVER
    assert (row["tick"] == round(scenario.duration_s * TICKS_PER_s))[~raced].all()
    overspeed_rad_s = OVERSPEED_rpm / RPM_PER_rad_s
    assert ((row["speed_rad_s"] >= overspeed_rad_s) == raced).all()
    assert ((row["shaft_steps"] >= 0.0) & (row["shaft_steps"] <= car.valve.travel_steps)).all()
    kept = {name: memories[i] for i, name in enumerate(MEMORY_FIELDS)}
    assert (kept["commanded_steps"] >= 0.0).all()
    assert (kept["commanded_steps"] <= car.valve.open_limit_steps).all()
    low, high = car.feedback.trim_limit_steps
    acts = kept["enabled"] > 0.5
    assert ((kept["trim_steps"] >= low) & (kept["trim_steps"] <= high))[acts].all()
    # Half as many firings as cylinders a turn: over-speed bounds the events of a run.
    turns = OVERSPEED_rpm / 60.0 * scenario.duration_s
    assert (row["firings"] <= 0.5 * car.engine.cylinders * turns + car.engine.cylinders).all()
    assert (np.abs(row["due_valve"]) <= NEVER).all()
    assert (row["map_Pa"] > 0.0).all()
    assert (row["map_Pa"] < 1.2e5).all()
    assert (row["speed_rad_s"] >= 0.0).all()
    # A huge engine with hardly a flywheel turns absurdly fast, yet no faster than the work of all
    # air it drew allows: thrice that, for the firings that scatter above the mean.
    # The plain loop alone keeps count of the air.
    work_J = 3.0e3 * car.engine.work_per_air_kJ_per_kg * row["out_kg"]
    most = BEGINS_BELOW_rad_s**2 + 2.0 * work_J / car.engine.inertia_kg_m2
    assert side_by_side or (row["speed_rad_s"] ** 2 <= most).all()
    assert (row["film_kg"] >= 0.0).all()
    assert (shown >= 0.0).all()


QUIET = Scenario(name="quiet", duration_s=4.0)
ROUGH = Scenario.model_validate(
    {
        "name": "rough",
        "duration_s": 6.0,
        "altitude_m": 5000.0,
        "event": [
            {"at_s": 0.5, "set": "throttle_share", "to": 1.0},
            {"at_s": 2.0, "set": "electrical_W", "to": 3000.0},
            {"at_s": 2.5, "set": "throttle_share", "to": 0.0},
            {"at_s": 3.0, "set": "torque_Nm", "to": 200.0},
        ],
    }
)
EXTREMES: dict[str, dict[str, dict[str, object]]] = {
    "one cylinder, least flywheel": {
        "engine": {"cylinders": 1, "cylinder_balance": [1.0], "inertia_kg_m2": 0.027, "scatter_share": 0.4}
    },
    "twelve cylinders, heaviest flywheel": {
        "engine": {
            "cylinders": 12,
            "cylinder_balance": [1.0] * 12,
            "torque_delay_deg": 180.0,
            "inertia_kg_m2": 3.0,
        }
    },
    "smallest manifold": {"manifold": {"volume_cm3": 195.0}},
    "largest manifold": {"manifold": {"volume_cm3": 20000.0}},
    "alternator beyond the engine": {
        "electrics": {
            "base_W": 2000.0,
            "alternator_max_W": 5000.0,
            "cut_in_rpm": 0.0,
            "full_rpm": 200.0,
            "efficiency": 0.2,
            "lag_s": 0.01,
        }
    },
    "no air": {"throttle": {"leak_mm2": 0.0}, "valve": {"area_mm2": [[0, 0], [75, 0.1]]}},
    "all air": {"throttle": {"leak_mm2": 200.0, "open_mm2": 2600.0}},
    "film that holds nearly all": {"mixture": {"wall_share": 0.9, "wall_s": 5.0, "fuelling_lag_s": 1.0}},
    "updates each millisecond": {
        "feedback": {"update_period_ms": 1.0, "gain_steps_per_100rpm": 500.0, "deadband_rpm": 0.0}
    },
}


@pytest.mark.parametrize("scenario", [QUIET, ROUGH], ids=["quiet", "rough"])
@pytest.mark.parametrize("extreme", EXTREMES)
def test_extreme_cars_stay_finite(extreme: str, scenario: Scenario) -> None:
    car = with_values(load_car("trials"), EXTREMES[extreme])
    assert_all_finite(car, scenario)
    assert_all_finite(car, scenario, side_by_side=False)


@settings(max_examples=100)
@given(silly_cars(), silly_scenarios(), st.booleans())
@example(load_car("trials"), ROUGH, False)
def test_no_accepted_car_loses_a_number(car: Car, scenario: Scenario, side_by_side: bool) -> None:
    assert_all_finite(car, scenario, side_by_side)


@settings(max_examples=12)
@given(silly_cars(), silly_scenarios())
def test_books_of_any_accepted_car_close_and_both_schedules_agree(car: Car, scenario: Scenario) -> None:
    kept = books(car, scenario, 0, BEGINS_rpm[0], BASE_ERRORS[0])
    # What draws all air there is out of a shut manifold is held at the model's lowest pressure.
    assert kept.column("map_Pa").min() <= LEAST_Pa or mass_gap_share(kept) < MASS_SHARE
    # Without a flywheel it stands within a firing or two, of which a step is a large part.
    assert work_gap_share(kept) < 5000.0 * WORK_SHARE
    _, _, states, _ = run_eight_seeds(car, scenario, side_by_side=False)
    for name in ("tick", "map_Pa", "speed_rad_s", "firings", "shaft_steps", "believed_steps", "lost_steps",
                 "in_kg", "out_kg", "indicated_J", "resisted_J", "film_kg", "stalled_tick"):  # fmt: skip
        assert states[STATE_FIELDS.index(name), 0] == kept.column(name)[-1], name
    # What stands without a starter does no work.
    rests = (kept.column("running") < 0.5) & (kept.column("starter0_Nm") == 0.0)
    assert not np.diff(kept.column("indicated_J"))[rests[1:] & rests[:-1]].any()


def test_a_stalled_engine_comes_to_rest() -> None:
    events = [{"at_s": 1.0, "set": "torque_Nm", "to": 120.0}]
    scenario = Scenario.model_validate({"name": "stall", "duration_s": 6.0, "event": events})
    kept = books(load_car("trials"), scenario)
    assert kept.column("running")[-1] == 0.0
    assert kept.column("speed_rad_s")[-1] == 0.0
    assert kept.column("measured_rpm")[-1] == 0.0
    # What resists holds the crank at rest; it never turns it back, which would pump air in.
    turned = np.diff(kept.column("angle_rad")) + kept.car["firing_rad"] * np.diff(kept.column("firings"))
    assert turned.min() >= 0.0
    assert np.diff(kept.column("out_kg")).min() >= 0.0
    # Air goes on filling the manifold until it is as outside; none is drawn at rest.
    assert kept.column("map_Pa")[-1] == pytest.approx(101325.0, rel=1e-3)
    assert mass_gap_share(kept) < MASS_SHARE
    assert math.isfinite(kept.column("stalled_tick")[-1])
