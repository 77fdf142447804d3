"""Runs that settings are judged by: scatter alike for candidates, not for cars; the cold drive."""

from __future__ import annotations

import numpy as np
import pytest

from sim import Car, Scenario, equilibrium, load_car, simulate, with_values
from tuning.ensemble.drives import (
    ANSWER,
    COLD,
    HIGH,
    LOW,
    BASE_ERROR_steps,
    BLIP_AT_s,
    centring_steps,
    starting_phases,
    trial_drives,
)
from tuning.ensemble.trial_runs import TrialRuns, own_seeds


@pytest.fixture(scope="module")
def car() -> Car:
    return load_car("twin")


def test_seeds_of_the_first_car_are_kept_and_no_two_cars_share_one() -> None:
    given = np.array([0.0, 12.0, 2.0**31 - 1.0])
    seeds = [own_seeds(given, np.full(3, index)) for index in range(64)]
    np.testing.assert_array_equal(seeds[0], given)
    assert np.unique(seeds).size == 3 * 64
    assert np.min(seeds) >= 0.0
    assert np.max(seeds) < 2.0**31
    assert np.all(np.mod(seeds, 1.0) == 0.0)


def test_candidates_meet_the_same_scatter_and_cars_their_own(car: Car) -> None:
    trial = TrialRuns((car, car), (4, 5))
    swing = trial.run([car.feedback, car.feedback]).at_rest[..., 0]
    np.testing.assert_array_equal(swing[0], swing[1])
    assert np.all(swing[0, 0] != swing[0, 1])
    assert trial.floor[0] != trial.floor[1]
    assert np.all(trial.held_swing[0] != trial.held_swing[1])


def test_the_drives_are_those_of_the_score(car: Car) -> None:
    drives = trial_drives(car)
    assert [drives[which].base_error_steps for which in (HIGH, LOW, ANSWER)] == [
        (BASE_ERROR_steps,), (-BASE_ERROR_steps,), (0.0,)
    ]  # fmt: skip
    assert drives[HIGH].scenario.duration_s == drives[LOW].scenario.duration_s == 75.0
    litres = car.engine.displacement_cm3 / 1000.0
    events = drives[ANSWER].scenario.event
    loads = [(one.at_s, one.to) for one in events if one.set == "electrical_W"]
    assert loads == [(20.0, 90.0 * litres), (37.0, 0.0), (54.0, 190.0 * litres), (71.0, 0.0)]
    throttle = [(one.at_s, one.number) for one in events if one.set == "throttle_share"]
    opened_mm2 = car.throttle.leak_mm2 + throttle[0][1] * car.throttle.open_mm2
    assert opened_mm2 == pytest.approx(3.0 * car.throttle.leak_mm2)
    assert throttle[0][0] == BLIP_AT_s
    assert throttle[-1][0] == pytest.approx(BLIP_AT_s + 2.1)
    assert throttle[-1][1] == 0.0
    assert all(share == throttle[0][1] for at_s, share in throttle if at_s < BLIP_AT_s + 1.2)


def test_open_loop_answers_as_one_run_by_itself_does(car: Car) -> None:
    held = car.feedback.model_copy(update={"law": "none"})
    trial = TrialRuns((car,), (3,))
    found = trial.run([held])
    own = simulate(
        with_values(car, {"feedback": {"law": "none"}}), trial._shifted[ANSWER], 3,
        base_error_steps=float(trial._plan([held]).base_error_steps[ANSWER]),
    )  # fmt: skip
    rpm = own.resampled("rpm", 0.05)
    (begins_s, *_), target = (20.0,), found.target_rpm[0, ANSWER]
    first = round(begins_s / 0.05)
    mean = np.convolve(rpm[first : first + 340], np.full(10, 0.1), mode="valid")
    assert found.answers[0, 0, 0, 0, 0] == pytest.approx(np.abs(mean - target).max(), abs=8.0)
    assert not found.terms()[..., -1].any()


def cold_base_raised(car: Car, steps: float) -> Car:
    """The car with its base curve higher below 60 degC."""
    points = [(degC, at + (steps if degC < 60.0 else 0.0)) for degC, at in car.curves.base_steps]
    return with_values(car, {"curves": {"base_steps": points}})


def test_a_base_curve_far_off_when_cold_is_centred_there_and_only_there(car: Car) -> None:
    warm, cold = (trial_drives(car)[which].scenario for which in (ANSWER, COLD))
    own = centring_steps(car, cold)
    assert abs(own) <= BASE_ERROR_steps
    raised = cold_base_raised(car, 12.0)
    assert centring_steps(raised, cold) == pytest.approx(own - 12.0, abs=3.0)
    assert centring_steps(raised, warm) == 0.0


@pytest.mark.parametrize("count", [3, 6, 8])
def test_positions_lie_anywhere_about_what_engines_need(count: int) -> None:
    errors, _ = starting_phases(count, 16)
    assert errors.shape == (16, count)
    assert np.max(np.abs(errors)) <= BASE_ERROR_steps
    np.testing.assert_array_equal(errors, starting_phases(count, 20)[0][:16])
    parts = np.sort((errors % 1.0).ravel())
    even = (np.arange(parts.size) + 0.5) / parts.size
    assert np.max(np.abs(parts - even)) < 0.1  # Kolmogorov-Smirnov distance
    by_car = np.ptp(errors - errors[:1], axis=0)
    assert np.all(by_car > 0.5)


@pytest.mark.parametrize("part", [-0.4, 0.3])
def test_part_of_a_step_is_air_beside_the_valve_and_a_whole_one_is_in_the_curve(
    car: Car, part: float
) -> None:
    even = with_values(
        car,
        {
            "feedback": {"law": "none"},
            "engine": {"scatter_share": 0.0, "cylinder_balance": [1.0] * car.engine.cylinders},
            "sensors": {"rpm_noise_rpm": 0.0},
        },
    )
    held = Scenario(name="held", duration_s=40.0)
    runs = [simulate(even, held, base_error_steps=error) for error in (0.0, 2.0, 2.0 + part)]
    steps = [one.resampled("valve_steps", 0.05)[-1] for one in runs]
    assert steps[1] == steps[2] == steps[0] + 2.0
    rpm = [float(np.mean(one.resampled("rpm", 0.05)[-100:])) for one in runs]
    at = [equilibrium(even, steps[1] + more)["rpm"] for more in (0.0, part)]
    assert rpm[2] - rpm[1] == pytest.approx(at[1] - at[0], rel=0.15)
