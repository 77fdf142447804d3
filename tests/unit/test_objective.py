"""What is weighed, by hand: terms, leaning to the worst cars, limits, and hunting that is seen."""

from __future__ import annotations

import numpy as np
import pytest

from tuning.ensemble.runs import Runs
from tuning.measures.measuring import COLUMN, MEASURES
from tuning.search.objective import (
    RANKED_BEHIND,
    score,
    worst_mean,
)
from tuning.search.weights import PRESETS, Weights, weights_of

GOOD = {
    "hunting_rpm": 40.0, "mean_error_rpm": 5.0, "excursion_rpm": 100.0, "settle_s": 3.0,
    "blip_undershoot_rpm": 20.0, "moves_per_min": 10.0, "stalled": 0.0, "lowest_rpm": 700.0,
}  # fmt: skip


def runs(*candidates: dict[str, float], cars: int = 4, floor: float = 40.0) -> Runs:
    """Runs of candidates that measure the same on every car, drive and seed."""
    values = np.full((len(candidates), cars, 2, 3, len(MEASURES)), np.nan)
    for place, changes in enumerate(candidates):
        for name, value in (GOOD | changes).items():
            values[place, ..., COLUMN[name]] = value
    return Runs(
        values=values,
        limited=np.zeros((len(candidates), cars, 2, 3)),
        floor=np.full((cars, 2), floor),
        stall_rpm=np.full(cars, 250.0),
        target_rpm=np.full((cars, 2), 900.0),
    )


def test_terms_are_weighed_as_documented() -> None:
    changes = {
        "hunting_rpm": 60.0, "mean_error_rpm": -25.0, "excursion_rpm": 120.0, "settle_s": 4.0,
        "blip_undershoot_rpm": 70.0, "moves_per_min": 30.0,
    }  # fmt: skip
    (found,) = score(runs(changes), Weights())
    by_hand = [20.0, 10.0, 0.5 * 120.0, 4.0 * 4.0, 0.5 * 30.0, 0.4 * 30.0, 0.0]
    assert list(found.terms.values()) == pytest.approx(by_hand)
    assert found.total == pytest.approx(sum(by_hand))


def test_a_quieter_run_than_the_floor_earns_nothing() -> None:
    (found,) = score(runs({"hunting_rpm": 25.0}), Weights())
    assert found.measured["hunting"] == 0.0


def test_the_score_leans_to_the_worst_quarter() -> None:
    by_car = np.array([[1.0, 2.0, 3.0, 10.0, 1.0, 1.0, 1.0, 6.0]])
    assert worst_mean(by_car) == pytest.approx([8.0])
    uneven = runs({})
    uneven.values[0, 0, ..., COLUMN["excursion_rpm"]] = 300.0
    (found,) = score(uneven, Weights())
    assert found.total == pytest.approx(0.5 * found.mean + 0.5 * found.worst)
    assert found.worst_car == 0


@pytest.mark.parametrize("changes", [{"stalled": 1.0}, {"lowest_rpm": 300.0}])
def test_a_broken_limit_ranks_behind_all_that_keep_it(changes: dict[str, float]) -> None:
    bad, awful = score(runs(changes, {"hunting_rpm": 600.0, "settle_s": 20.0}), Weights())
    assert not bad.allowed
    assert awful.allowed
    assert bad.value > RANKED_BEHIND
    assert bad.value > awful.value


def test_time_at_a_limit_is_a_limit() -> None:
    some = runs({})
    some.limited[...] = 0.5
    (found,) = score(some, Weights())
    assert found.broken == {"limited": pytest.approx(0.3)}


def test_hunting_that_is_seen_costs_more_than_it_weighs() -> None:
    # 6 % of a floor of 40 rpm is not seen.
    unseen, seen = score(runs({"hunting_rpm": 42.3}, {"hunting_rpm": 54.0}), Weights())
    assert unseen.value == pytest.approx(unseen.total)
    assert seen.value - seen.total == pytest.approx(4.0 * (54.0 - 40.0 - 2.4))


def test_presets_lean_where_their_names_say() -> None:
    assert weights_of("quiet").hunting > PRESETS["balanced"].hunting
    assert weights_of("quick").settle_rpm_per_s > PRESETS["balanced"].settle_rpm_per_s
    assert weights_of("gentle").rpm_per_move_per_min > PRESETS["balanced"].rpm_per_move_per_min
