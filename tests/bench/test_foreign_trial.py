"""What becomes of settings found by fit and search on engines of another structure.

Each engine is recorded as the guide asks, fitted, tuned (law ``pi``) and driven with the settings
found, by its own controller; beside them stand no feedback, the settings an owner begins with, the
plain set, and the best that differential evolution finds on that very engine.  Seeds from 101 on
are of the widened family; odd ones served for building, even ones for the table only.  Run alone:
``python -m tests.bench.test_foreign_trial normal 400 102 106 108``: budget, candidates, engines, and
``unrecorded`` where the log does not have the loads in watts.
"""

from __future__ import annotations

import sys

import numpy as np
import pytest

from tests.foreign_trial import HEADING, TrialResult, tried
from tuning.measures import TERMS

ENGINES = (102, 106)
NEAR_BEST, WORST = 1.15, 1.35


def summary(done: list[TrialResult]) -> str:
    """How many came near the best, and how many beat the plain set."""
    ratios = np.array([one.ratio for one in done])
    plain = np.array([one.plain_ratio for one in done])
    told = ", ".join(f"{name} {100.0 * np.mean([one.within[name] for one in done]):.0f} %" for name in TERMS)
    return (
        f"{np.sum(ratios <= NEAR_BEST)} of {len(done)} within 15 % of the best (median"
        f" {np.median(ratios):.3f}, worst {ratios.max():.3f}); better than the plain set on"
        f" {np.sum(plain > 1.0)}, the plain set {np.median(plain):.2f} times theirs in the median; of the"
        f" runs lie within what is told (10 to 90 %): {told}"
    )


def run(seeds: tuple[int, ...], budget: str, most: int, with_loads: bool = True) -> list[TrialResult]:
    """Try engines, a row each as they come."""
    sys.stdout.write(f"\n{HEADING}\n")
    done = []
    for seed in seeds:
        done.append(tried(seed, budget=budget, most=most, with_loads=with_loads))
        sys.stdout.write(done[-1].line() + "\n")
        sys.stdout.flush()
    sys.stdout.write(summary(done) + "\n")
    return done


@pytest.mark.bench
def test_settings_for_foreign_engines_come_near_the_best_there() -> None:
    done = run(ENGINES, "quick", 100)
    assert all(one.true["stalls"] == 0.0 for one in done)
    assert all(one.plain_ratio > 1.0 for one in done)
    assert all(one.ratio <= WORST for one in done)


if __name__ == "__main__":
    asked = [one for one in sys.argv[3:] if one != "unrecorded"]
    run(tuple(map(int, asked)), sys.argv[1], int(sys.argv[2]), with_loads=asked == sys.argv[3:])
