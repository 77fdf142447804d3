"""Which sampler finds the best settings with the same number of trials: the choice is measured.

Run with ``python -m pytest -m bench tests/bench/test_samplers.py -s``. Same cars and scatter, same
start settings; only what proposes differs. Whatever any of them finds is the reference.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controllers import Feedback
from sim import load_car
from tests.bench.telling import show
from tuning.ensemble.plausible import SEARCH
from tuning.search.compared import known_settings, start_points
from tuning.search.judge import BUDGETS, Budget, Judge
from tuning.search.objective import weights_of
from tuning.search.proposals import Search
from tuning.search.searching import SAMPLER
from tuning.search.space import SEARCHED_LAWS, Space, make_space
from tuning.studies.studies import open_study

pytestmark = pytest.mark.bench

TRIALS, SEEDS = 150, 5
SIZE = replace(BUDGETS["quick"], trials=TRIALS)
"""Cars and seeds of a quick search; repeats would only blur what the samplers do."""
WAYS = {
    "random": ("random", TRIALS),
    "Parzen estimator": ("tpe", TRIALS),
    "random, then where most is promised": ("random", SIZE.widely),
    "Parzen estimator, then where most is promised": (SAMPLER, SIZE.widely),
}
"""Sampler and how many trials it proposes; the smooth picture of the score places the others."""


def first_places(space: Space, judge: Judge) -> dict[str, Feedback]:
    """What a search begins with."""
    scatter_rpm = judge.runs.scatter_rpm
    return start_points(space, scatter_rpm, known_settings(space, scatter_rpm))


def best_found(name: str, space: Space, judge: Judge, size: Budget, seed: int, sampler: str) -> float:
    """Lowest score of one search [rpm]."""
    with open_study(None, name, seed=seed, sampler=sampler) as study:
        search = Search(study, space, judge, size, seed, lambda _share, _text: None)
        search.run(first_places(space, judge))
        return search.ranking()[0][0]


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
def test_the_sampler_in_use_is_no_worse_than_the_others(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    car = load_car(name)
    space = make_space(car, SEARCHED_LAWS)
    judge = Judge(
        car, weights_of("balanced"), cars=SIZE.cars, seeds=SIZE.seeds, seed=0, purpose=SEARCH,
    )  # fmt: skip
    found = {
        way: [
            best_found(name, space, judge, replace(SIZE, widely=widely), seed, sampler)
            for seed in range(SEEDS)
        ]
        for way, (sampler, widely) in WAYS.items()
    }
    least = min(min(scores) for scores in found.values())
    lines = [f"| {name}, {TRIALS} trials | median over the best found | worst |", "|---|---|---|"]
    over = {way: np.array(scores) / least - 1.0 for way, scores in found.items()}
    lines += [
        f"| {way} | {100.0 * np.median(share):.1f} % | {100.0 * share.max():.1f} % |"
        for way, share in over.items()
    ]
    show(capsys, "\n".join(lines))
    used = float(np.median(over["Parzen estimator, then where most is promised"]))
    assert used <= min(float(np.median(share)) for share in over.values()) + 0.01
