"""What explain says of fitted foreign engines beside what they do, some seven minutes of one core.

Run with ``python -m pytest -m bench tests/bench/test_explanation_foreign.py``; figures in DEVELOPERS.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.telling import show
from tests.explain_foreign import ENGINES, SETTINGS, Beside, beside

pytestmark = pytest.mark.bench


@pytest.fixture(scope="module")
def seen() -> list[Beside]:
    """All settings of the engines so far."""
    return []


@pytest.mark.parametrize(("structure", "seed"), ENGINES)
def test_an_engine_beside_what_explain_says(structure: str, seed: int, seen: list[Beside]) -> None:
    its = list(beside(structure, seed))
    seen += its
    assert sum(one.same_word for one in its) >= 0.8 * len(its)


def test_explain_beside_the_engines(seen: list[Beside], capsys: pytest.CaptureFixture[str]) -> None:
    assert len(seen) == len(ENGINES) * len(SETTINGS), "the engines come first, in the same process"
    done = np.array([one.done_chance for one in seen])
    off = float(np.mean([abs(one.told_chance - one.done_chance) for one in seen]))
    words = sum(one.same_word for one in seen)
    swings = np.mean([one.near(one.told_rpm, one.done_rpm, 0.0) for one in seen])
    moves = np.mean([one.near(one.told_per_min, one.done_per_min, 1.0) for one in seen])
    dull = float(np.mean(np.abs(done - done.mean())))
    show(
        capsys,
        f"{len(seen)} settings: chance off by {off:.3f} (always the mean: {dull:.3f}), word right in {words}"
        f" (commonest: {max(np.sum(done > 0.5), np.sum(done <= 0.5))}), swing near in {swings:.2f},"
        f" moves in {moves:.2f}",
    )
    assert off < 0.5 * dull
    assert words >= 0.9 * len(seen)
