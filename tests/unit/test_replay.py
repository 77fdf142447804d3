"""A replay is the model itself, told valve commands instead of having a controller."""

from __future__ import annotations

import numpy as np
import pytest

from sim import Car, Scenario, full_plan, load_car, make_fleet, run_plan, settings_table, with_values
from sim.replay import make_drive, replay

TIMES = np.arange(1, 1201) * 0.05


@pytest.fixture(scope="module")
def car() -> Car:
    return load_car("trials")


def steps_up_and_down() -> np.ndarray:
    return 12.0 + np.repeat([0.0, 3.0, 0.0, -3.0, 5.0, 0.0], 200)


def test_with_the_valve_held_it_is_a_batch_run_without_feedback(car: Car) -> None:
    still = with_values(car, {"feedback": {"law": "none"}})
    scenario = Scenario.model_validate(
        {
            "name": "held",
            "duration_s": 60,
            "event": [{"at_s": 20, "set": "lamps", "to": 1}, {"at_s": 40, "set": "lamps", "to": 0}],
        }
    )
    fleet = make_fleet([still], [scenario])
    plan = full_plan(fleet, settings_table([still]), seeds=[7])
    batch: list[np.ndarray] = []

    def keep(_rows: np.ndarray, rpm: np.ndarray, *_others: np.ndarray) -> None:
        batch.append(rpm.copy())

    run_plan(fleet, plan, keep, full=True)
    drive = make_drive(
        np.concatenate([[0.0], TIMES]),
        np.full(TIMES.size + 1, 12.0),
        start_rpm=880.0,
        events=[(20.0, "lamps", 1.0), (40.0, "lamps", 0.0)],
    )
    read = replay(still, drive, seed=7)
    # The controller's updates cut the integration elsewhere: firings shift by nanoseconds, and a
    # sample may fall on the other side of one.
    apart = np.abs(read.rpm[1:] - batch[0][0])
    assert np.median(apart) < 1e-3
    assert np.mean(apart > 0.1) < 0.01


def test_without_a_seed_it_is_quiet_and_follows_the_mean(car: Car) -> None:
    drive = make_drive(TIMES, steps_up_and_down(), start_rpm=917.0)
    quiet = replay(car, drive)
    noisy = np.mean([replay(car, drive, seed=seed).rpm for seed in range(40)], axis=0)
    held = quiet.rpm[100:199]
    assert np.ptp(held) < 0.5
    assert float(np.sqrt(np.mean((noisy - quiet.rpm)[60:] ** 2))) < 5.0
    assert np.array_equal(replay(car, drive).rpm, quiet.rpm)


def test_it_is_smooth_in_the_car_s_numbers(car: Car) -> None:
    drive = make_drive(TIMES, steps_up_and_down(), start_rpm=917.0)

    def slope(width: float) -> np.ndarray:
        runs = [
            replay(with_values(car, {"engine": {"inertia_kg_m2": 0.13 * (1.0 + s)}}), drive).rpm
            for s in (width, -width)
        ]
        return (runs[0] - runs[1]) / (2.0 * width)

    coarse, fine = slope(0.02), slope(0.002)
    assert np.linalg.norm(fine) > 100.0
    assert np.linalg.norm(coarse - fine) < 0.02 * np.linalg.norm(fine)


def test_torque_may_be_scaled_as_a_whole(car: Car) -> None:
    # Work, friction, inertia and the alternator's torque all times 1.1: nothing may change.
    scaled = with_values(
        car,
        {
            "engine": {
                "inertia_kg_m2": 1.1 * car.engine.inertia_kg_m2,
                "work_per_air_kJ_per_kg": 1.1 * car.engine.work_per_air_kJ_per_kg,
                "friction_scale": 1.1 * car.engine.friction_scale,
            },
            "electrics": {"efficiency": car.electrics.efficiency / 1.1},
        },
    )
    drive = make_drive(TIMES, steps_up_and_down(), start_rpm=917.0)
    np.testing.assert_allclose(replay(scaled, drive).rpm, replay(car, drive).rpm, rtol=1e-7)


def test_commands_are_carried_out_step_by_step(car: Car) -> None:
    slow = with_values(car, {"valve": {"pulse_ms": 40.0, "rest_ms": 10.0}})
    steps = np.where(TIMES < 30.0, 12.0, 32.0)
    quick, late = (replay(one, make_drive(TIMES, steps, start_rpm=917.0)) for one in (car, slow))
    reached = [int(np.argmax(one.map_kPa[600:] > one.map_kPa[599] + 8.0)) for one in (quick, late)]
    assert 0 < reached[0] < reached[1] - 5


def test_a_stall_ends_it(car: Car) -> None:
    drive = make_drive(TIMES, np.full(TIMES.size, 12.0), start_rpm=917.0,
                       events=[(20.0, "torque_Nm", 60.0)])  # fmt: skip
    read = replay(car, drive)
    assert 20.0 < read.stalled_s < 23.0
    assert np.all(read.rpm[TIMES > 24.0] == 0.0)
    assert np.all(np.isfinite(read.map_kPa))


@pytest.mark.parametrize(
    ("times", "steps", "events", "message"),
    [
        ([0.0, 1.0, 1.0], [1.0, 1.0, 1.0], (), "do not rise"),
        ([0.0, 1.0], [1.0], (), "allowed: two rows"),
        ([0.0], [1.0], (), "allowed: two rows"),
        ([0.0, 1.0], [1.0, np.nan], (), "not finite"),
        ([0.0, 1.0], [1.0, 1.0], ((0.5, "heater", 1.0),), "no event of that name"),
    ],
)
def test_what_cannot_be_replayed_is_refused(
    times: list[float], steps: list[float], events: tuple[tuple[float, str, float], ...],
    message: str,
) -> None:  # fmt: skip
    with pytest.raises(ValueError, match=message):
        make_drive(times, steps, start_rpm=900.0, events=events)


def test_a_seed_out_of_range_is_refused(car: Car) -> None:
    with pytest.raises(ValueError, match="seed is out of range"):
        replay(car, make_drive(TIMES, steps_up_and_down(), start_rpm=917.0), seed=-1)
