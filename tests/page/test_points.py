"""Fewer points draw the same picture."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.page.chart_parts import LEAST_SPAN, round_scale
from workbench.page.points import changes, thinned
from workbench.words.units import in_words, shown, taken, written


@given(st.lists(st.floats(-1e4, 1e4, allow_nan=False), min_size=1, max_size=700), st.integers(8, 200))
def test_a_thinned_line_keeps_its_ends_and_its_extremes(values: list[float], most: int) -> None:
    times = np.arange(len(values)) * 0.05
    points = thinned(times, values, most)
    assert len(points) <= max(most, 8)
    told = np.array([value for _, value in points])
    assert told.max() == pytest.approx(max(values), abs=0.051)
    assert told.min() == pytest.approx(min(values), abs=0.051)
    assert [points[0][0], points[-1][0]] == pytest.approx([times[0], times[-1]], abs=0.006)
    assert all(a[0] <= b[0] for a, b in pairwise(points))


def test_each_pixel_of_a_thinned_line_spans_what_the_whole_line_spans() -> None:
    rng = np.random.default_rng(1)
    times, values = np.arange(6000) * 0.05, rng.normal(0.0, 50.0, 6000)
    points = np.array(thinned(times, values, 480))
    for begin in np.linspace(0.0, 300.0, 121)[:-1]:
        whole = values[(times >= begin) & (times < begin + 2.5)]
        left = points[(points[:, 0] >= begin - 1e-9) & (points[:, 0] < begin + 2.5 - 1e-9), 1]
        assert [left.min(), left.max()] == pytest.approx([whole.min(), whole.max()], abs=0.051)


@given(st.lists(st.integers(0, 60), min_size=1, max_size=300))
def test_changes_give_back_every_step(steps: list[int]) -> None:
    times = np.arange(len(steps)) * 0.05
    points = changes(times, steps, 400)
    at = np.searchsorted([p[0] for p in points], times + 1e-6, side="right") - 1
    assert [points[i][1] for i in at] == steps


def test_points_that_are_not_finite_are_left_out() -> None:
    assert thinned([0.0, 1.0, 2.0], [1.0, float("nan"), 3.0], 8) == [[0.0, 1.0], [2.0, 3.0]]
    assert thinned([], [], 8) == []
    assert changes([], [], 8) == []


@given(st.floats(-1e4, 1e4, allow_subnormal=False), st.floats(0.0, 1e4), st.integers(2, 6))
def test_an_axis_has_few_lines_at_round_numbers_around_all(low: float, span: float, most: int) -> None:
    axis = round_scale(low, low + span, most)
    step = axis["interval"]
    spaces = (axis["max"] - axis["min"]) / step
    assert axis["min"] <= low + 1e-9 * abs(low)
    assert axis["max"] >= low + span - 1e-9 * (abs(low) + span)
    assert spaces == pytest.approx(round(spaces))
    assert 1 <= round(spaces) <= most
    assert f"{step:e}"[0] in "125"
    assert span <= LEAST_SPAN or span > 0.08 * (axis["max"] - axis["min"])


def test_units_are_those_of_the_standards() -> None:
    # Fixed points of the Fahrenheit scale; the conventional inch of mercury, 3386.389 Pa (BS 350).
    assert shown(100.0, "degC", imperial=True) == pytest.approx(212.0)
    assert shown(-40.0, "degC", imperial=True) == pytest.approx(-40.0)
    assert shown(101.325, "kPa", imperial=True) == pytest.approx(29.92, abs=0.01)
    assert shown(850.0, "rpm", imperial=True) == 850.0
    assert shown(20.0, "degC", imperial=False) == 20.0
    assert taken(shown(33.0, "degC", imperial=True), "degC", imperial=True) == pytest.approx(33.0)
    assert written("degC", imperial=True) == "°F"


@pytest.mark.parametrize(
    ("metric", "imperial"),
    [
        ("start at -10 degC: it stalls", "start at 14 °F: it stalls"),
        ("warm-up from 20 to 90 degC: 300 s", "warm-up from 68 to 194 °F: 300 s"),
        ("manifold 33.9 kPa, 850 rpm", "manifold 10.01 inHg, 850 rpm"),
        ("90 \u00b0C", "194 °F"),
        ("it is +10.0 degC warmer, +3.4 kPa", "it is +18.0 °F warmer, +1.00 inHg"),
        ("5 degCx; map in kPa", "5 degCx; map in kPa"),
        ("no unit: 90, 12 rpm", "no unit: 90, 12 rpm"),
    ],
)
def test_numbers_with_units_in_sentences(metric: str, imperial: str) -> None:
    # By hand: degF = 1.8 degC + 32; 1 inHg = 3.386389 kPa (BS 350).
    assert in_words(metric, imperial=True) == imperial
    assert in_words(metric, imperial=False) == re.sub(r"(?<=\d )degC\b", "°C", metric)
