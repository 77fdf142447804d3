"""What is weighed, by hand: the fixed weights, leaning to the worst cars, acceptance first."""

from __future__ import annotations

import numpy as np
import pytest

from sim.errors import InputError
from tuning.ensemble.drives import ANSWER, COLD, HIGH, LOW
from tuning.ensemble.runs import LOADS, ROW, Runs
from tuning.measures.row import MEASURES
from tuning.measures.terms import TERMS
from tuning.search.compared import acceptance_notes, better
from tuning.search.objective import (
    PRESETS,
    Weights,
    favoured,
    score,
    searched_value,
    total_of,
    weights_of,
    worst_mean,
)
from tuning.search.proposals import outcome
from workbench.words.wording import in_words

FIXED = {
    "hunting": 1.0, "error": 1.0, "moves": 0.4, "excursion": 0.5, "settling": 4.0,
    "undershoot": 0.5, "stalls": 1000.0,
}  # fmt: skip
"""The weights of the contract, in rpm a unit."""
HELD_rpm = 50.0


def runs(cars: int = 8, seeds: int = 2, **changes: float) -> Runs:
    """Runs of one candidate that do the same on every car and seed."""
    given = {
        "swing": 60.0, "error": 5.0, "moves": 10.0, "excursion": 100.0, "settling": 3.0,
        "below": 20.0, "limited": 0.0, "stalled": 0.0,
    } | changes  # fmt: skip
    shape = (1, cars, 4, seeds)
    rows = np.full((*shape, ROW), np.nan)
    rows[:, :, [HIGH, LOW], :, :3] = given["swing"], given["error"], given["moves"]
    rows[:, :, ANSWER, :, 3 : 3 + LOADS] = given["excursion"]
    rows[:, :, ANSWER, :, 3 + LOADS : 3 + 2 * LOADS] = given["settling"]
    rows[:, :, ANSWER, :, -1] = given["below"]
    return Runs(
        rows=rows,
        values=np.full((*shape, len(MEASURES)), np.nan),
        stalled=np.full(shape, given["stalled"]),
        limited=np.full(shape, given["limited"]),
        floor=np.full(cars, 40.0),
        held_swing=np.full((cars, seeds), HELD_rpm),
        target_rpm=np.full((cars, 4), 900.0),
    )


def test_terms_are_weighed_as_fixed() -> None:
    (found,) = score(runs(error=-25.0, below=70.0, moves=30.0), Weights())
    by_hand = {
        "hunting": 10.0, "error": 10.0, "moves": 12.0, "excursion": 50.0, "settling": 12.0,
        "undershoot": 15.0, "stalls": 0.0,
    }  # fmt: skip
    assert dict(found.terms) == pytest.approx(by_hand)
    assert found.total == pytest.approx(sum(by_hand.values()))
    assert dict(zip(TERMS, Weights().in_order(), strict=True)) == FIXED


def test_a_quieter_run_than_the_floor_earns_nothing_and_a_stall_costs_a_thousand() -> None:
    (quiet,), (stalled,) = score(runs(swing=25.0), Weights()), score(runs(), Weights())
    assert quiet.measured["hunting"] == 0.0
    some = runs()
    some.stalled[0, :, LOW] = 1.0
    (worse,) = score(some, Weights())
    assert worse.total - stalled.total == pytest.approx(1000.0)


def test_the_score_leans_to_the_worst_quarter() -> None:
    by_car = np.array([[1.0, 2.0, 3.0, 10.0, 1.0, 1.0, 1.0, 6.0]])
    assert worst_mean(by_car) == pytest.approx([8.0])
    uneven = runs()
    uneven.rows[0, 0, ANSWER, :, 3 : 3 + LOADS] = 300.0
    (found,) = score(uneven, Weights())
    assert found.total == pytest.approx(0.5 * found.mean + 0.5 * found.worst)
    assert sum(found.terms.values()) == pytest.approx(found.total)
    assert total_of(found.by_car, Weights()) == pytest.approx(found.total)


@pytest.mark.parametrize(
    ("changes", "cause"),
    [
        ({"stalled": 1.0}, "stalls"), ({"settling": 6.1}, "not_back"), ({"error": 20.5}, "error"),
        ({"limited": 0.11}, "limited"), ({"swing": 76.0}, "hunts"),
    ],
)  # fmt: skip
def test_what_is_not_acceptable_comes_behind_all_that_is(changes: dict[str, float], cause: str) -> None:
    (bad,) = score(runs(8, 2, **changes, excursion=0.0), Weights())
    (dear,) = score(runs(excursion=2000.0), Weights())
    assert bad.acceptance.failing[cause] == 1.0
    assert not bad.acceptance.is_met
    assert dear.acceptance.is_met
    assert dear.order < bad.order


def test_one_car_of_ten_may_fail_and_two_may_not() -> None:
    some = runs(cars=10)
    some.limited[0, 3, COLD] = 0.5
    (found,) = score(some, Weights())
    assert found.acceptance.is_met
    some.limited[0, 4, COLD] = 0.5
    (found,) = score(some, Weights())
    assert not found.acceptance.is_met
    assert searched_value(100.0, 0.2) == 100.0
    assert searched_value(100.0, 0.3) == pytest.approx(120.0)


@pytest.mark.parametrize("changes", [{"swing": 85.0}, {"settling": 5.9}, {"limited": 0.099}, {"error": 19.9}])
def test_a_search_is_led_away_from_every_limit_hunting_too_before_it_is_reached(
    changes: dict[str, float],
) -> None:
    (near,), (far,) = score(runs(8, 2, **changes), Weights()), score(runs(), Weights())
    assert far.value == far.total
    assert near.value > 1.5 * near.total
    assert far.acceptance.may_be_met
    assert not near.acceptance.may_be_met


def test_what_a_search_shows_as_acceptable_does_not_hunt_either() -> None:
    (hunting,), (calm,) = score(runs(swing=80.0), Weights()), score(runs(), Weights())
    assert hunting.acceptance.failing_share == 0.0
    shares = [outcome(one).notes["failing_share"] for one in (hunting, calm)]
    assert shares == [1.0, 0.0]


def test_loads_that_are_not_over_in_time_are_told_one_by_one() -> None:
    some = runs(cars=10)
    some.rows[0, :3, ANSWER, :, 3 + LOADS + 2] = 8.0
    (found,) = score(some, Weights())
    assert found.acceptance.by_load == (0.0, 0.0, 0.3, 0.0)
    assert found.acceptance.failing["not_back"] == 0.3


def test_a_load_that_one_seed_in_many_takes_long_over_is_chance() -> None:
    some = runs(seeds=6)
    some.rows[0, :, ANSWER, 0, -2] = 17.0
    assert score(some, Weights())[0].acceptance.is_met


def test_presets_lean_where_their_names_say() -> None:
    assert weights_of("balanced") == Weights()
    assert weights_of("quiet").hunting > PRESETS["balanced"].hunting
    assert weights_of("quick").settling_rpm_per_s > PRESETS["balanced"].settling_rpm_per_s
    assert weights_of("gentle").moves_rpm_per_move_per_min > Weights().moves_rpm_per_move_per_min


def test_a_wish_multiplies_its_weights_and_no_other() -> None:
    found = favoured(Weights(), ("quick:2", "wear:0.5"))
    assert found == Weights(
        excursion=1.0, settling_rpm_per_s=8.0, undershoot=1.0, moves_rpm_per_move_per_min=0.2
    )


@pytest.mark.parametrize("wish", ["loud:2", "quick:x", "quick:0", "quick:21"])
def test_a_wish_that_is_none_is_refused_in_words(wish: str) -> None:
    with pytest.raises(InputError, match="no such wish"):
        favoured(Weights(), (wish,))


def late_on(count: int) -> Runs:
    """Twenty cars, on some of which loads are over a little too late."""
    some = runs(20, swing=HELD_rpm)
    some.rows[0, :count, ANSWER, :, 3 + LOADS : 3 + 2 * LOADS] = 6.3
    return some


def test_one_of_twenty_more_or_less_is_chance_and_the_score_decides() -> None:
    (near,), (met,), (far,) = (
        score(one, Weights()) for one in (late_on(3), runs(20, swing=HELD_rpm, excursion=400.0), late_on(5))
    )
    assert not near.acceptance.is_met
    assert near.acceptance.may_be_met
    assert met.acceptance.is_met
    assert near.order < met.order < far.order


def test_acceptable_settings_that_score_worse_are_named_beside_what_is_proposed() -> None:
    (near,), (met,) = (
        score(late_on(3), Weights()),
        score(runs(20, swing=HELD_rpm, excursion=400.0), Weights()),
    )
    scores = {"open_loop": met, "plain": met, "found": near}
    assert better(scores) == "found"
    words = [in_words(one) for one in acceptance_notes("found", scores, ())]
    assert "No set compared" not in " ".join(words)
    assert words[-1].startswith("Acceptable there, but with a score of 2")
    assert "the plain set" in words[-1]
    alone = [in_words(one) for one in acceptance_notes("found", {"found": near}, ())]
    assert alone[-1].endswith("No set compared is acceptable; a finer valve or a better base curve may help.")
