"""The verdict of a stress case: nine plausible cars of ten must do, as a search asks of its settings."""

from __future__ import annotations

import numpy as np
import pytest

from sim import load_car
from tuning import stress
from tuning.ensemble import CARS_SHARE
from tuning.measures import COLUMN, MEASURES
from tuning.stress_tests.limits import ORDER, CaseRuns, Check, checks_of

CARS, SEEDS, TARGET_rpm, STALL_rpm = 16, 3, 900.0, 350.0


def runs(**changed: dict[tuple[int, int], float]) -> CaseRuns:
    """Runs that keep all limits but for the measures given, by car and seed."""
    values = np.zeros((CARS, SEEDS, len(MEASURES)))
    values[..., COLUMN["lowest_rpm"]] = values[..., COLUMN["highest_rpm"]] = TARGET_rpm
    for name, places in changed.items():
        for place, value in places.items():
            values[(*place, COLUMN[name])] = value
    by_car = np.ones(CARS)
    return CaseRuns(values, 20.0 * by_car, np.zeros((CARS, SEEDS)), STALL_rpm * by_car, TARGET_rpm * by_car)


def check(measure: str, **changed: dict[tuple[int, int], float]) -> Check:
    """One check of such runs."""
    return next(one for one in checks_of(runs(**changed), False, True) if one.measure == measure)


@pytest.mark.parametrize(("odd", "verdict"), [(0, "pass"), (1, "warn"), (2, "fail"), (16, "fail")])
def test_one_odd_car_of_sixteen_needs_work_and_two_fail(odd: int, verdict: str) -> None:
    one = check("stalled", stalled={(car, seed): 1.0 for car in range(odd) for seed in range(SEEDS)})
    assert (one.verdict, one.failing, one.cars) == (verdict, odd, CARS)
    assert (verdict == "fail") == (odd / CARS > 1.0 - CARS_SHARE)


def test_cases_are_told_worst_first_and_those_of_the_trade_are_among_them() -> None:
    found = stress(load_car("twin"), suite="loads")
    assert {"fan", "rolling_in_gear", "fuel_cut_return", "throttle_flicker"} <= {
        one.key for one in found.cases
    }
    order = [next(case for case in found.cases if case.line == note) for note in found.lines()[1:]]
    fitted = [(ORDER.index(one.verdict), one.decided_by.strain) for one in order if one.fitted]
    assert fitted == sorted(fitted, reverse=True)
    assert [one.fitted for one in order] == sorted((one.fitted for one in order), reverse=True)
    assert 0 < len(fitted) < len(order)


def test_seeds_of_one_car_are_one_car() -> None:
    one = check("highest_rpm", highest_rpm={(3, seed): 2000.0 + seed for seed in range(SEEDS)})
    assert (one.verdict, one.failing, one.car, one.seed) == ("warn", 1, 3, 2)
    assert one.limit == one.fail


def test_the_car_shown_is_one_that_fails_though_another_strains_its_warning_more() -> None:
    """The limit that fails of a swing grows otherwise with the held swing than the one that warns."""
    swings = runs(hunting_rpm={(4, seed): 25.0 for seed in range(SEEDS)} | {(9, 0): 300.0, (9, 1): 300.0,
                                                                           (9, 2): 300.0})  # fmt: skip
    floors = swings.floor_rpm.copy()
    floors[4], floors[9] = 2.6, 100.0
    held = CaseRuns(swings.values, floors, swings.limited, swings.stall_rpm, swings.target_rpm)
    one = next(each for each in checks_of(held, False, True) if each.measure == "hunting_rpm")
    assert (one.car, one.failing, one.verdict) == (9, 1, "warn")
