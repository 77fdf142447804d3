"""What an alternator gives: the load where speed allows it, else what speed allows, with no corner."""

from __future__ import annotations

import numpy as np
import pytest

from sim.crank import REGULATED_SHARE, alternator_target

CUT_IN_rad_s, ENDLESS_W, MAX_W = 60.0, 1000.0, 800.0
SPEEDS_rad_s = np.linspace(1.0, 600.0, 60_000)


def given(load_W: float) -> np.ndarray:
    """Power at each speed [W]."""
    return np.array([alternator_target(load_W, one, CUT_IN_rad_s, ENDLESS_W, MAX_W) for one in SPEEDS_rad_s])


@pytest.mark.parametrize("load_W", [0.0, 150.0, 400.0, 2000.0])
def test_no_more_is_given_than_is_asked_or_than_speed_or_size_allow(load_W: float) -> None:
    able = np.clip((1.0 - CUT_IN_rad_s / SPEEDS_rad_s) * ENDLESS_W, 0.0, MAX_W)
    most, power = np.minimum(able, load_W), given(load_W)
    assert (power >= 0.0).all()
    assert (power <= most + 1e-9).all()
    assert (np.diff(power) >= -1e-9).all()
    # A regulator at full field sags by volts, not by half: a twentieth of the load and the edge's watt.
    assert (most - power).max() < 0.06 * min(load_W, MAX_W) + 0.2


def test_away_from_the_limit_the_load_or_the_limit_is_given_to_the_watt() -> None:
    load_W = 300.0
    able, power = (1.0 - CUT_IN_rad_s / SPEEDS_rad_s) * ENDLESS_W, given(load_W)
    width = REGULATED_SHARE * load_W + 1.0
    ample, short = able > load_W + width, (able > 0.0) & (able < load_W - width)
    assert ample.any()
    assert short.any()
    np.testing.assert_allclose(power[ample], load_W, rtol=1e-12)
    np.testing.assert_allclose(power[short], able[short], rtol=1e-12)


def test_the_load_passes_into_the_limit_without_a_corner() -> None:
    # The rates' second derivative stays of the size of a bend over its width; a corner has none.
    beyond = SPEEDS_rad_s > CUT_IN_rad_s + 1.0
    spacing = SPEEDS_rad_s[1] - SPEEDS_rad_s[0]
    slope = np.diff(given(300.0)[beyond]) / spacing
    limit_slope = ENDLESS_W * CUT_IN_rad_s / SPEEDS_rad_s[beyond][:-1] ** 2
    assert np.abs(np.diff(slope)).max() < 0.01 * limit_slope.max()
