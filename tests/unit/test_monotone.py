"""A valve's area between the points of its table."""

from __future__ import annotations

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from sim.monotone import monotone_cubic

widths = st.floats(0.5, 40.0)


@given(st.lists(st.tuples(widths, st.floats(0.0, 50.0)), min_size=1, max_size=12))
@example([(1.0, 1.1e-308), (1.0, 1.0)])
def test_a_rising_table_never_falls_between_its_points(cells: list[tuple[float, float]]) -> None:
    points = np.cumsum([(0.0, 0.0), *cells], axis=0)
    read = monotone_cubic(points, np.linspace(0.0, points[-1, 0], 301))
    assert np.all(np.diff(read) >= -1e-9)
    assert np.all(read <= points[-1, 1] + 1e-9)
    assert np.allclose(monotone_cubic(points, points[:, 0]), points[:, 1])
