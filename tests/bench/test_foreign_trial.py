"""What becomes of settings found by fit and search on engines of another structure.

Each engine is recorded as the guide asks, fitted, tuned and driven with the settings found; beside
them stands the best that differential evolution (Storn & Price 1997, scipy's) finds on that very
engine.  Run alone: ``python -m tests.bench.test_foreign_trial 20 normal``.
"""

from __future__ import annotations

import sys

import numpy as np
import pytest

from tests.foreign_trial import HEADING, TrialResult, tried

ENGINES = (4, 12, 13)
NEAR_BEST, AS_TOLD = 1.15, 0.2
"""Score over the best, and how far a swing may be from what was told [-]."""


def summary(done: list[TrialResult]) -> str:
    """How many came near the best, and how many swing as told."""
    near = sum(one.ratio <= NEAR_BEST for one in done)
    told = sum(abs(one.hunting_ratio - 1.0) <= AS_TOLD for one in done)
    middle = float(np.median([one.ratio for one in done]))
    return (
        f"{near} of {len(done)} within {100.0 * (NEAR_BEST - 1.0):.0f} % of the best (median"
        f" {middle:.3f}), {told} swing within {100.0 * AS_TOLD:.0f} % of what was told"
    )


def run(seeds: tuple[int, ...], budget: str) -> list[TrialResult]:
    """Try engines, a row each as they come."""
    sys.stdout.write(f"\n{HEADING}\n")
    done = []
    for seed in seeds:
        done.append(tried(seed, budget=budget))
        sys.stdout.write(done[-1].line() + "\n")
        sys.stdout.flush()
    sys.stdout.write(summary(done) + "\n")
    return done


@pytest.mark.bench
def test_settings_for_foreign_engines_come_near_the_best_there() -> None:
    done = run(ENGINES, "quick")
    assert all(one.lowest_rpm > 350.0 for one in done)
    assert sum(one.ratio <= NEAR_BEST for one in done) > len(done) / 2
    assert sum(abs(one.hunting_ratio - 1.0) <= AS_TOLD for one in done) > len(done) / 2


if __name__ == "__main__":
    run(tuple(range(1, 1 + int(sys.argv[1]))), sys.argv[2])
