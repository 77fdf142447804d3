"""Intervals of a chance, against values that others computed.

Source: C. J. Clopper & E. S. Pearson, Biometrika 26 (1934) 404 to 413, from memory. For 0 of n
the upper end is 1 - tail^(1/n) by arithmetic: no hit in n has chance (1 - p)^n. The others were
computed with scipy.stats.binomtest, which is an implementation of its own.
"""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from tuning.measures.hunting_rule import chance_of


@pytest.mark.parametrize("runs", [1, 12, 24, 100])
def test_none_of_n_follows_from_arithmetic(runs: int) -> None:
    found = chance_of(0, runs)
    assert found.low_share == 0.0
    assert found.high_share == pytest.approx(1.0 - 0.05 ** (1.0 / runs), abs=1e-12)


@pytest.mark.parametrize(("hits", "runs"), [(1, 24), (9, 24), (23, 24), (24, 24), (50, 100)])
def test_agrees_with_an_implementation_of_its_own(hits: int, runs: int) -> None:
    exact = binomtest(hits, runs).proportion_ci(confidence_level=0.9, method="exact")
    found = chance_of(hits, runs)
    assert found.low_share == pytest.approx(exact.low, abs=1e-9)
    assert found.high_share == pytest.approx(exact.high, abs=1e-9)
