"""What a warming engine needs: a curve that never rises with warmth, and air that fades."""

from __future__ import annotations

import functools
from itertools import pairwise

import numpy as np
import pytest

from sim import load_car, with_values
from tuning.starts.need import Held, Need, PLACES_degC, _fitted, needs
from tuning.starts.trials import STARTS_degC

FADES_s = (0.0, 60.0, 120.0)


@functools.cache
def needs_of(name: str) -> list[Need]:
    """Each car's needs, found once."""
    return needs(load_car(name), FADES_s, 0)


def made_up(base_steps: np.ndarray, after_steps: np.ndarray, fade_s: float) -> Held:
    """What would be held if a curve and fading air were the whole truth; temperatures climb."""
    since = np.arange(12.0, 108.0, 0.5)
    start = np.repeat(np.arange(len(STARTS_degC)), since.size)
    times = np.tile(since, len(STARTS_degC))
    coolant = np.asarray(STARTS_degC)[start] + 0.25 * times
    left = np.maximum(1.0 - times / fade_s, 0.0)
    steps = np.interp(coolant, PLACES_degC, base_steps) + after_steps[start] * left
    return Held(start, coolant, times, steps, 0.0 * times)


def test_a_curve_and_fading_air_that_were_put_in_are_found() -> None:
    base = np.array([50.0, 44.0, 38.0, 33.0, 29.0, 26.0, 23.0, 20.0])
    after = np.array([14.0, 9.0, 5.0, 3.0, 1.0, 0.0, 0.0])
    found = _fitted(made_up(base, after, 60.0), 60.0)
    assert found.base_steps[1:] == pytest.approx(base[1:], abs=0.05)
    assert found.after_steps == pytest.approx(after, abs=0.05)
    alone = _fitted(made_up(base, after, 60.0), 0.0)
    assert np.all(alone.after_steps == 0.0)
    assert np.nanmax(np.abs(alone.base_steps - base)) > 1.0


def test_where_no_run_came_nothing_is_said() -> None:
    nothing = _fitted(Held(np.empty(0, dtype=np.int64), *np.empty((4, 0))), 60.0)
    assert np.isnan(nothing.base_steps).all()


@pytest.mark.parametrize("name", ["trials", "six", "twin"])
def test_no_need_rises_with_warmth(name: str) -> None:
    for one in needs_of(name):
        known = one.base_steps[np.isfinite(one.base_steps)]
        assert all(here <= last for last, here in pairwise(known))
        assert all(here <= last for last, here in pairwise(one.after_steps))
        assert np.all(one.after_steps >= 0.0)


def test_slow_air_makes_up_for_oil_far_behind_the_head() -> None:
    # The air-cooled twin's head is warm minutes before its oil: a curve alone needs more there.
    alone, _, slow = needs_of("twin")
    assert slow.after_steps[0] > 10.0
    assert np.nanmean(slow.base_steps[2:5]) < np.nanmean(alone.base_steps[2:5]) - 3.0
    # Where the car goes by its oil, there is far less to make up for.
    by_oil = with_values(load_car("twin"), {"sensors": {"temperature_of": "oil"}})
    (followed,) = needs(by_oil, (120.0,), 0)
    assert followed.after_steps[2] < 0.5 * slow.after_steps[2]
