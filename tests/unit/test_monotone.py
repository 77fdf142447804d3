"""The monotone cubic against scipy's, on tables of any kind."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from sim.monotone import monotone_cubic

widths = st.floats(0.5, 40.0)
rises = st.one_of(st.just(0.0), st.floats(-50.0, 50.0).filter(lambda rise: abs(rise) > 1e-3))


@given(st.lists(st.tuples(widths, rises), min_size=1, max_size=12))
def test_it_is_the_interpolation_of_scipy(cells: list[tuple[float, float]]) -> None:
    points = np.cumsum([(0.0, 5.0), *cells], axis=0)
    at = np.linspace(0.0, points[-1, 0], 97)
    scipy_gives = PchipInterpolator(points[:, 0], points[:, 1])(at)
    largest = float(np.max(np.abs(points[:, 1]))) + 1.0
    assert monotone_cubic(points, at) == pytest.approx(scipy_gives, abs=1e-10 * largest)


@given(st.lists(st.tuples(widths, st.floats(0.0, 50.0)), min_size=1, max_size=12))
@example([(1.0, 1.1e-308), (1.0, 1.0)])
def test_a_rising_table_never_falls_between_its_points(cells: list[tuple[float, float]]) -> None:
    points = np.cumsum([(0.0, 0.0), *cells], axis=0)
    read = monotone_cubic(points, np.linspace(0.0, points[-1, 0], 301))
    assert np.all(np.diff(read) >= -1e-9)
    assert np.all(read <= points[-1, 1] + 1e-9)
