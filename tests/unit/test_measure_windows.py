"""Each kind of window on runs whose measures can be worked out by hand."""

from __future__ import annotations

import importlib
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import correlate

from tuning.measures.band import BAND_HIGH_Hz, BAND_LOW_Hz
from tuning.measures.measuring import SAMPLE_s, measure, measure_runs
from tuning.measures.reduce import reduce_runs, scratch_size
from tuning.measures.row import MEASURES, Measures
from tuning.measures.swings import LAG_BLOCK, crossing_intervals, regularity, root_mean_square, swings

Rpm = NDArray[np.float64]
Spans = list[tuple[str, float, float]]


def measures_of(
    rpm: Rpm,
    windows: Spans,
    steps: Rpm | None = None,
    stalled_at: int = -1,
    floor_rpm: float = 0.0,
    dt_s: float = SAMPLE_s,
) -> Measures:
    """Measures of one run whose target is 800 rpm."""
    samples = rpm.astype(np.float32)[None, :]
    moved = (np.zeros(rpm.size) if steps is None else steps).astype(np.float32)[None, :]
    rows = measure_runs(samples, moved, windows, 800.0, stalled_at, floor_rpm, dt_s)
    return Measures(*rows[0].tolist())


def held(*stretches: tuple[float, float]) -> Rpm:
    """Rpm that holds each value for so many seconds."""
    return np.concatenate([np.full(round(s / SAMPLE_s), value) for value, s in stretches])


def test_error_share_outside_and_extremes_of_idling() -> None:
    rpm = held((780.0, 10.0), (860.0, 10.0), (810.0, 20.0))
    found = measures_of(rpm, [("hunting", 0.0, 40.0)])
    assert found.mean_error_rpm == pytest.approx(-15.0)
    assert found.mean_abs_error_rpm == pytest.approx((20.0 + 60.0 + 2 * 10.0) / 4)
    assert (found.lowest_rpm, found.highest_rpm) == (780.0, 860.0)
    # Smoothed over eleven samples, 860 leaves the band of 45 where more than 0.81 of them are
    # 860 (next to 780: nine or more) or 0.7 (next to 810: eight or more).
    assert found.outside_share == pytest.approx((200 - 3 - 2) / 800)
    assert measures_of(rpm, [("hunting", 0.0, 40.0)], floor_rpm=61.0).outside_share == 0.0
    not_known = measures_of(rpm, [("hunting", 0.0, 40.0)], floor_rpm=math.nan)
    assert not_known.to_dict() == found.to_dict()


def test_errors_of_several_windows() -> None:
    rpm = held((780.0, 10.0), (840.0, 10.0))
    first, second = ("hunting", 0.0, 10.0), ("hunting", 10.0, 20.0)
    both = measures_of(rpm, [first, second])
    assert both.mean_error_rpm == pytest.approx(-40.0)
    assert measures_of(rpm, [second, first]).mean_error_rpm == pytest.approx(-40.0)
    assert both.mean_abs_error_rpm == pytest.approx(30.0)


def test_scatter_is_told_about_the_straight_line() -> None:
    times = np.arange(1200)
    rpm = 800.0 + 0.05 * times + 10.0 * (-1.0) ** times
    assert measures_of(rpm, [("hunting", 0.0, 60.0)]).scatter_rms_rpm == pytest.approx(10.0, 1e-3)


def test_dip_flare_and_settling_after_loads() -> None:
    rpm = held((790.0, 10.0), (700.0, 1.0), (770.0, 9.0), (900.0, 2.0), (800.0, 8.0))
    one = measures_of(rpm, [("load", 10.0, 20.0)])
    assert (one.dip_rpm, one.worst_dip_rpm, one.flare_rpm) == (90.0, 90.0, 0.0)
    assert one.worst_below_target_rpm == 100.0
    # Eleven samples with k of 700 and the others 770 are below 755 while k is 3 or more.
    assert one.settle_s == pytest.approx(1.0 + 3 * SAMPLE_s)
    two = measures_of(rpm, [("load", 10.0, 20.0), ("load", 20.0, 30.0)])
    assert two.dip_rpm == pytest.approx(45.0)
    assert (two.worst_dip_rpm, two.worst_flare_rpm) == (90.0, 130.0)
    assert two.flare_rpm == pytest.approx(65.0)
    assert two.excursion_rpm == pytest.approx(110.0)
    # Eleven samples with k of 900 and the others 800 are above 845 while k is 5 or more.
    assert two.worst_settle_s == pytest.approx(2.0 + SAMPLE_s)
    assert two.settle_s == pytest.approx(0.5 * (1.0 + 2.0 + 4 * SAMPLE_s))
    assert (two.lowest_rpm, two.highest_rpm) == (700.0, 900.0)


def test_a_load_with_little_before_it_is_told_from_the_target() -> None:
    rpm = held((900.0, 0.4), (780.0, 9.6))
    assert measures_of(rpm, [("load", 0.4, 10.0)]).dip_rpm == pytest.approx(20.0)
    rpm = held((900.0, 0.5), (780.0, 9.5))
    assert measures_of(rpm, [("load", 0.5, 10.0)]).dip_rpm == pytest.approx(120.0)


def test_settling_never_and_at_once() -> None:
    never = measures_of(held((800.0, 5.0), (700.0, 10.0)), [("load", 5.0, 15.0)])
    assert never.settle_s == pytest.approx(10.0)
    at_once = measures_of(held((800.0, 15.0)), [("load", 5.0, 15.0)])
    assert at_once.settle_s == 0.0
    clipped = measures_of(held((800.0, 5.0), (700.0, 10.0)), [("load", 5.0, 99.0)])
    assert clipped.settle_s == pytest.approx(10.0)


def test_a_stall_counts_as_no_rpm() -> None:
    rpm = held((790.0, 15.0), (50.0, 15.0))
    windows: Spans = [("hunting", 0.0, 10.0), ("load", 10.0, 20.0), ("hunting", 20.0, 30.0)]
    found = measures_of(rpm, windows, stalled_at=300)
    assert found.stalled == 1.0
    assert found.stalled_s == pytest.approx(15.05)
    assert found.worst_dip_rpm == 790.0
    assert found.worst_below_target_rpm == 800.0
    assert found.settle_s == pytest.approx(10.0)
    assert found.lowest_rpm == 0.0
    assert found.highest_rpm == 790.0
    assert found.mean_error_rpm == pytest.approx(10.0)
    after = measures_of(rpm, [("load", 20.0, 30.0), ("blip", 20.0, 30.0)], stalled_at=300)
    assert after.dip_rpm == 800.0
    assert after.settle_s == pytest.approx(10.0)
    assert after.blip_undershoot_rpm == 800.0
    never_ran = measures_of(rpm, windows, stalled_at=0)
    assert never_ran.moves_per_min is not None
    assert math.isnan(never_ran.hunting_rpm)
    assert measures_of(rpm, windows, stalled_at=9999).lowest_rpm == 50.0


def test_undershoot_and_settling_after_a_blip() -> None:
    rpm = held((750.0, 10.0), (2000.0, 1.0), (760.0, 2.0), (730.0, 1.0), (800.0, 6.0))
    found = measures_of(rpm, [("blip", 10.0, 20.0)])
    assert found.blip_undershoot_rpm == 70.0
    # From the first sample of 2000, to where three of eleven are still 730 (760 counts as in).
    assert found.blip_settle_s == pytest.approx(4.0 - SAMPLE_s - 2 * SAMPLE_s + SAMPLE_s, abs=0.2)
    assert found.lowest_rpm == 730.0
    assert math.isnan(found.highest_rpm)
    two = measures_of(rpm, [("blip", 10.0, 20.0), ("blip", 13.5, 20.0)])
    assert two.blip_undershoot_rpm == 70.0


def test_a_start() -> None:
    rpm = held(
        (200.0, 2.0), (600.0, 0.5), (300.0, 0.5), (700.0, 1.0), (1000.0, 2.0), (750.0, 1.0),
        (800.0, 13.0),
    )  # fmt: skip
    found = measures_of(rpm, [("start", 1.0, 20.0)])
    assert found.start_s == pytest.approx(2.0 + SAMPLE_s)  # half a second of 600 is no start
    assert found.start_flare_rpm == 200.0
    assert found.start_lowest_rpm == 750.0
    # Stable is within 100 rpm: until the fewest of 1000 among eleven, the others 750, that
    # average above 900: seven.
    assert found.start_stable_s == pytest.approx(5.0 - SAMPLE_s)
    assert math.isnan(found.lowest_rpm)


def test_a_start_is_measured_beside_a_target_that_falls_as_the_engine_warms() -> None:
    times = SAMPLE_s * (1.0 + np.arange(1200))
    target = 1100.0 - 5.0 * times
    follows = SimpleNamespace(time_s=times, rpm=target + 30.0, target_rpm=target)
    stands = SimpleNamespace(time_s=times, rpm=np.full(1200, 1130.0), target_rpm=target)
    good, slow = (measure(one, [("start", 0.0, 60.0)]) for one in (follows, stands))
    assert good.start_flare_rpm == pytest.approx(30.0, abs=0.5)
    assert good.start_stable_s == pytest.approx(0.0, abs=SAMPLE_s)
    assert slow.start_flare_rpm == pytest.approx(330.0, abs=0.5)
    assert slow.start_stable_s == pytest.approx(60.0)


def test_a_start_that_fails_and_one_that_stays_low() -> None:
    failed = measures_of(held((200.0, 20.0)), [("start", 0.0, 20.0)])
    assert failed.start_s == pytest.approx(20.0)
    assert failed.start_stable_s == pytest.approx(20.0)
    assert failed.start_lowest_rpm == 0.0
    assert math.isnan(failed.start_flare_rpm)
    low = measures_of(held((200.0, 2.0), (520.0, 18.0)), [("start", 0.0, 20.0)])
    assert low.start_lowest_rpm == 520.0
    assert low.start_flare_rpm == 0.0


def test_moves_reversals_and_steps() -> None:
    rpm = held((800.0, 60.0))
    steps = np.full(1200, 30.0)
    for at, to in ((100, 31.0), (101, 33.0), (200, 32.0), (300, 30.0), (400, 31.0)):
        steps[at:] = to
    run: Spans = [("hunting", 0.0, 60.0)]
    whole = measures_of(rpm, run, steps)
    assert (whole.moves_per_min, whole.reversals_per_min, whole.steps_per_min) == (5.0, 2.0, 7.0)
    assert measures_of(rpm, [], steps).moves_per_min == 5.0
    late = measures_of(rpm, [("load", 10.0, 40.0)], steps)
    # The move at sample 200 begins this window and is one of it; it reverses nothing in it.
    assert (late.moves_per_min, late.reversals_per_min, late.steps_per_min) == (6.0, 2.0, 8.0)
    stalled = measures_of(rpm, [], steps, stalled_at=250)
    assert stalled.moves_per_min == pytest.approx(3 * 60.0 / 12.5)
    first_sample_only = np.where(np.arange(1200) < 1, 5.0, 5.0)
    assert measures_of(rpm, run, first_sample_only).moves_per_min == 0.0


@pytest.mark.parametrize("shape", ["sine", "triangle", "square"])
@pytest.mark.parametrize("period", [40, 66, 120])
def test_a_swing_is_peak_to_peak_whatever_its_shape(shape: str, period: int) -> None:
    turn = (np.arange(600) / period + 0.13) % 1.0
    x = {
        "sine": np.sin(2 * np.pi * turn),
        "triangle": 4 * np.abs(turn - 0.5) - 1.0,
        "square": np.where(turn < 0.5, 1.0, -1.0),
    }[shape]
    peak_to_peak, found = swings(7.0 * x, root_mean_square(7.0 * x))
    assert peak_to_peak == pytest.approx(14.0, rel=0.05 if shape == "triangle" else 0.01)
    assert found == pytest.approx(period, rel=0.04)


def test_a_swing_that_is_cut_off_is_the_whole_range() -> None:
    ramp = np.linspace(-1.0, 1.0, 100)
    peak_to_peak, period = swings(ramp, root_mean_square(ramp))
    assert peak_to_peak == 2.0
    assert math.isnan(period)


def test_regularity_of_a_period_of_ten_with_a_deviation_of_one() -> None:
    """Thornhill's index, mean over three standard deviations: 10 +- 1 gives 3.33.

    Source: checks list, item 19 (from memory of Thornhill, Huang & Zhang, 2003).
    """
    crossings = 2.5 + np.cumsum([0.0, 4.5, 5.5, 4.5, 5.5, 4.5, 5.5, 4.5, 5.5])
    lags = np.arange(50.0)
    sign = (-1.0) ** np.searchsorted(crossings, lags)
    near = np.min(np.abs(lags[:, None] - crossings), axis=1)
    intervals, mean, deviation = crossing_intervals(sign * near)
    assert intervals == 8
    assert 2.0 * mean == pytest.approx(10.0)
    assert 2.0 * deviation == pytest.approx(1.0)
    assert mean / (3.0 * deviation) == pytest.approx(3.33, abs=0.005)


@pytest.mark.parametrize("period_s", [1.3, 4.0, 7.0])
def test_regularity_agrees_with_the_definition_on_whole_arrays(period_s: float) -> None:
    times = 0.2 * np.arange(400)
    scatter = np.random.default_rng(4).standard_normal(400)
    x = np.sin(2.0 * np.pi * times / period_s) + 0.7 * scatter
    x -= x.mean()
    # With no period expected the lags are 0.2 s apart, as in the signal itself.
    period, even, _ = regularity(x, 0.2, math.nan, np.empty(2 * x.size + 2 * LAG_BLOCK))
    lags = correlate(x, x, mode="full", method="fft")[x.size - 1 :]
    _, mean, deviation = crossing_intervals(lags[: int(0.8 * x.size)] / lags[0])
    assert period == pytest.approx(0.2 * 2.0 * mean, rel=1e-9)
    assert even == pytest.approx(mean / (3.0 * deviation), rel=1e-9)
    assert period == pytest.approx(period_s, rel=0.02)


@pytest.mark.parametrize(("corner_Hz", "length_s"), [(BAND_LOW_Hz, 1200.0), (BAND_HIGH_Hz, 60.0)])
def test_the_band_loses_three_decibels_at_its_corners(corner_Hz: float, length_s: float) -> None:
    times = 0.1 * np.arange(round(length_s / 0.1))
    rpm = 800.0 + 30.0 * np.sin(2.0 * np.pi * corner_Hz * times)
    # At 0.1 s nothing is averaged, so this is the filter alone.
    found = measures_of(rpm, [("hunting", 0.0, length_s)], dt_s=0.1)
    assert found.hunting_rms_rpm == pytest.approx(30.0 / math.sqrt(2.0) * math.sqrt(0.5), rel=0.01)


def test_reducing_a_run_allocates_nothing() -> None:
    runtime: Any = importlib.import_module("numba.core.runtime")
    rng = np.random.default_rng(2)
    rpm = (800.0 + 20.0 * rng.standard_normal(1200)).astype(np.float32)
    steps = np.round(30.0 + rng.standard_normal(1200)).astype(np.float32)
    windows = np.array([[0.0, 0.0, 30.0], [1.0, 30.0, 40.0], [2.0, 40.0, 50.0], [3.0, 50.0, 60.0]])
    scratch = np.empty(scratch_size(1200, SAMPLE_s))
    told = []
    for runs in (1, 50):
        targets, stalls = np.full(runs, 800.0), np.full(runs, -1)
        out = np.empty((runs, len(MEASURES)))
        given = (
            np.tile(rpm, (runs, 1)), np.tile(steps, (runs, 1)), 1200, SAMPLE_s, targets, stalls,
            np.zeros(runs), windows, scratch, out,
        )  # fmt: skip
        reduce_runs(*given)
        runtime._nrt_python.memsys_enable_stats()
        before = runtime.rtsys.get_allocation_stats()
        reduce_runs(*given)
        told.append(runtime.rtsys.get_allocation_stats().alloc - before.alloc)
        runtime._nrt_python.memsys_disable_stats()
        assert not np.isnan(out[:, :-1]).any()
    # One record for each array that Python hands over, none for a run.
    assert told == [8, 8]
