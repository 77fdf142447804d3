"""Steep neighbours: how much more they score than they may."""

from __future__ import annotations

import pytest

from tuning.search.choice import Plateau


def test_a_neighbour_within_a_tenth_is_no_excess() -> None:
    flat = Plateau(100.0, {"gain +1": 109.0, "gain -1": 95.0})
    assert flat.is_flat
    assert flat.excess_rpm(whole=False) == 0.0


def test_excess_is_what_the_worst_neighbour_has_beyond_a_tenth() -> None:
    steep = Plateau(100.0, {"gain +1": 125.0, "gain -1": 112.0})
    assert not steep.is_flat
    assert steep.excess_rpm(whole=False) == pytest.approx(15.0)


def test_a_whole_step_may_cost_a_fifth() -> None:
    # One step of a minimum move of two is half of it; a tenth is meant for finer numbers.
    near = Plateau(100.0, {"min_move_steps -1": 118.0, "nudge_steps +1": 115.0})
    assert near.is_flat
    beyond = Plateau(100.0, {"min_move_steps -1": 127.0, "gain +1": 115.0})
    assert beyond.steep == ("min_move_steps -1", "gain +1")
    assert beyond.excess_rpm(whole=True) == pytest.approx(7.0)
    assert beyond.excess_rpm(whole=False) == pytest.approx(5.0)


def test_a_low_score_allows_three_rpm() -> None:
    assert Plateau(10.0, {"gain +1": 14.5}).excess_rpm(whole=False) == pytest.approx(1.5)
