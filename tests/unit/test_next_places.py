"""Where a search looks next: which laws take part, and how far from the best."""

from __future__ import annotations

import numpy as np

from controllers import Feedback
from sim import load_car
from tuning.search.next_places import CLOSE, WIDE, Reach, expected_ranking, next_settings, pictures
from tuning.search.space import LAW_KEYS, make_space

SPACE = make_space(load_car("trials"), ("pi", "nudge"))


def tried(law: str, count: int, best_rpm: float, spread: float = 1.0) -> list[tuple[float, Feedback]]:
    """Settings over the cube that score the more the farther they come to be from its middle."""
    places = np.random.default_rng(0).random((count, len(LAW_KEYS[law])))
    places = 0.5 + spread * (places - 0.5)
    some = [SPACE.from_unit(law, place) for place in places]  # the idle window is as wide as it must be
    return [(best_rpm * (1.0 + float(np.sum((SPACE.to_unit(one) - 0.5) ** 2))), one) for one in some]


def test_a_law_that_scores_badly_is_given_up_only_after_its_fair_share() -> None:
    ranking = sorted(tried("pi", 20, 100.0) + tried("nudge", 20, 200.0), key=lambda one: one[0])
    assert [one.law for one in pictures(ranking, SPACE, 20)] == ["pi"]
    assert [one.law for one in pictures(ranking, SPACE, 21)] == ["pi", "nudge"]
    laws = [one.law for one in next_settings(ranking, SPACE, 8, [0], 21)]
    assert (laws.count("pi"), laws.count("nudge")) == (4, 4)


def test_a_law_as_good_as_the_best_takes_part_in_any_case() -> None:
    ranking = sorted(tried("pi", 20, 100.0) + tried("nudge", 20, 105.0), key=lambda one: one[0])
    assert len(pictures(ranking, SPACE)) == 2


def test_the_last_trials_look_close_to_the_best() -> None:
    # As late in a search: the whole cube was tried, and more about the best.
    some = tried("pi", 80, 100.0) + tried("pi", 40, 100.0, 0.2)
    ranking = sorted(some, key=lambda one: one[0])
    best = [SPACE.to_unit(one) for _, one in expected_ranking(ranking, SPACE)[:6]]

    def far(reach: Reach) -> float:
        found = [next_settings(ranking, SPACE, 8, [seed], 0, reach) for seed in range(8)]
        places = [SPACE.to_unit(one) for some in found for one in some]
        return float(np.mean([min(np.linalg.norm(at - one) for one in best) for at in places]))

    assert far(CLOSE) < far(WIDE)
    far_rpm = 1.05 * min(value for value, _ in tried("pi", 20, 100.0))
    worse = [(value + far_rpm - 100.0, one) for value, one in tried("nudge", 20, 100.0)]
    near = sorted(tried("pi", 20, 100.0) + worse, key=lambda one: one[0])
    laws = {one.law for one in next_settings(near, SPACE, 8, [0], 0, CLOSE)}
    assert laws == {near[0][1].law}
