"""Measures of any run: invariances, and agreement with a second writing on scipy.signal."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import butter, correlate, lfilter, sosfilt

from tests.said import is_hunting
from tuning.measures.measuring import SAMPLE_s, measure_runs, resample_hold
from tuning.measures.row import MEASURES, Measures

Rpm = NDArray[np.float64]
QUICK = settings(max_examples=60, deadline=None)
WINDOWS = [("hunting", 2.0, 22.0), ("load", 22.0, 32.0), ("blip", 30.0, 40.0), ("start", 0.0, 40.0)]
TARGET_RPM = 850.0


@dataclass(frozen=True)
class Story:
    """What happens in forty seconds of idling about 850 rpm, in a few numbers."""

    seed: int
    scatter_rpm: float
    memory: float
    swing_rpm: float
    period_s: float
    drift_rpm_s: float
    dip_rpm: float
    offset_rpm: float

    def rpm(self) -> Rpm:
        """Samples in whole sixteenths, so that adding or doubling them rounds nothing."""
        times = SAMPLE_s * np.arange(1, 801)
        white = np.random.default_rng(self.seed).standard_normal(800)
        rpm = self.scatter_rpm * lfilter([1.0], [1.0, -self.memory], white)
        rpm += self.swing_rpm * np.sin(2 * np.pi * times / self.period_s)
        since = np.maximum(0.0, times - 22.0)
        rpm += self.drift_rpm_s * times - self.dip_rpm * since * np.exp(1.0 - since)
        return np.round(16.0 * (TARGET_RPM + self.offset_rpm + rpm)) / 16.0


def runs() -> st.SearchStrategy[Story]:
    """Runs of every kind."""
    return st.builds(
        Story,
        seed=st.integers(0, 2**32),
        scatter_rpm=st.floats(1.0, 20.0),
        memory=st.sampled_from([0.0, 0.5, 0.9]),
        swing_rpm=st.floats(0.0, 100.0),
        period_s=st.floats(1.0, 8.0),
        drift_rpm_s=st.floats(-1.0, 1.0),
        dip_rpm=st.floats(-200.0, 200.0),
        offset_rpm=st.floats(-60.0, 60.0),
    )


def measures_of(
    rpm: Rpm, steps: Rpm | None = None, target_rpm: float = TARGET_RPM, floor_rpm: float = 0.0
) -> dict[str, float]:
    """Measures of one run by name."""
    moved = np.zeros(rpm.size) if steps is None else steps
    rows = measure_runs(
        rpm.astype(np.float32)[None, :], moved.astype(np.float32)[None, :], WINDOWS, target_rpm,
        floor_rpm=floor_rpm,
    )  # fmt: skip
    return dict(zip([one.name for one in MEASURES], rows[0].tolist(), strict=True))


SWINGS = {
    "hunting_rpm", "hunting_rms_rpm", "scatter_rms_rpm", "dip_rpm", "worst_dip_rpm", "flare_rpm",
    "worst_flare_rpm", "excursion_rpm", "worst_below_target_rpm", "mean_error_rpm",
    "mean_abs_error_rpm", "blip_undershoot_rpm",
}  # fmt: skip
EXTREMES = {"lowest_rpm", "highest_rpm"}
STARTS = {"start_s", "start_flare_rpm", "start_lowest_rpm", "start_stable_s"}


@QUICK
@given(runs(), st.integers(-300, 3000))
def test_rpm_and_target_shifted_together(run: Story, shift_rpm: int) -> None:
    rpm = run.rpm()
    plain, shifted = measures_of(rpm), measures_of(rpm + shift_rpm, None, TARGET_RPM + shift_rpm)
    for name in plain.keys() - STARTS:
        expected = plain[name] + (shift_rpm if name in EXTREMES else 0)
        # Adding moves the last digit, which decides where a sum of rounded numbers crosses 0.
        assert shifted[name] == pytest.approx(expected, rel=1e-6, abs=1e-6, nan_ok=True), name


@QUICK
@given(runs(), st.sampled_from([0.75, 2.0, 4.0]))
def test_swings_scale_and_shapes_stay(run: Story, factor: float) -> None:
    rpm = run.rpm()
    # With the tolerance scaled too, through the floor, times and shares stay.
    plain = measures_of(rpm, floor_rpm=64.0)
    scaled = measures_of(TARGET_RPM + factor * (rpm - TARGET_RPM), floor_rpm=64.0 * factor)
    for name in plain.keys() - STARTS - EXTREMES:
        expected = plain[name] * (factor if name in SWINGS else 1.0)
        assert scaled[name] == pytest.approx(expected, rel=1e-6, abs=1e-6, nan_ok=True), name


@QUICK
@given(runs())
def test_turned_upside_down_dips_are_flares(run: Story) -> None:
    rpm = run.rpm()
    plain, turned = measures_of(rpm), measures_of(2 * TARGET_RPM - rpm)
    assert turned["dip_rpm"] == pytest.approx(plain["flare_rpm"])
    assert turned["worst_flare_rpm"] == pytest.approx(plain["worst_dip_rpm"])
    assert turned["mean_error_rpm"] == pytest.approx(-plain["mean_error_rpm"])
    for name in ("hunting_rpm", "hunting_period_s", "regularity", "settle_s", "outside_share"):
        assert turned[name] == pytest.approx(plain[name], rel=1e-6, nan_ok=True), name


@QUICK
@given(st.floats(1.5, 7.0), st.floats(0.0, 1.0), st.floats(20.0, 200.0), st.sampled_from([0.025, 0.1]))
def test_the_sampling_rate_does_not_matter(
    period_s: float, phase: float, peak_to_peak_rpm: float, dt_s: float
) -> None:
    def sampled(spacing_s: float) -> Measures:
        times = spacing_s * np.arange(1, round(40.0 / spacing_s) + 1)
        since = np.maximum(0.0, times - 22.0)
        swing = 0.5 * peak_to_peak_rpm * np.sin(2 * np.pi * (times / period_s + phase))
        rpm = (TARGET_RPM + swing - 150.0 * since * np.exp(1.0 - since)).astype(np.float32)
        samples = rpm[None, :]
        rows = measure_runs(
            samples, np.zeros_like(samples), WINDOWS[:2], TARGET_RPM, floor_rpm=120.0,
            dt_s=spacing_s,
        )  # fmt: skip
        return Measures(*rows[0].tolist())

    usual, other = sampled(SAMPLE_s), sampled(dt_s)
    assert other.hunting_rpm == pytest.approx(usual.hunting_rpm, rel=0.03)
    assert other.hunting_rms_rpm == pytest.approx(usual.hunting_rms_rpm, rel=0.03)
    assert other.hunting_period_s == pytest.approx(usual.hunting_period_s, rel=0.02)
    assert other.scatter_rms_rpm == pytest.approx(usual.scatter_rms_rpm, rel=0.02)
    assert other.worst_dip_rpm == pytest.approx(usual.worst_dip_rpm, rel=0.02)
    assert is_hunting(other) == is_hunting(usual)


def reference_band(rpm: Rpm) -> Rpm:
    """Second writing of the band-pass at 50 ms: 0.05 to 2 Hz, both ways, 10 a second."""
    pairs = rpm[: rpm.size // 2 * 2].reshape(-1, 2).mean(axis=1)
    places = np.arange(rpm.size)
    line = np.polynomial.Polynomial.fit(places, rpm, 1)(places)
    pairs = pairs - line[: pairs.size * 2].reshape(-1, 2).mean(axis=1)
    pad = min(100, pairs.size - 1)
    whole = np.pad(pairs, pad, mode="reflect")
    # The corner of one pass, warped: tan(pi f dt) is moved, not f.
    moved = (math.sqrt(2.0) - 1.0) ** 0.25
    high = math.atan(math.tan(math.pi * 0.005) * moved) / (math.pi * 0.1)
    low = math.atan(math.tan(math.pi * 0.2) / moved) / (math.pi * 0.1)
    both = np.concatenate(
        [butter(2, high, "highpass", fs=10.0, output="sos"), butter(2, low, fs=10.0, output="sos")]
    )
    whole = sosfilt(both, sosfilt(both, whole)[::-1])[::-1]
    band: Rpm = whole[pad : pad + pairs.size]
    return band


def reference_swing(x: Rpm) -> float:
    """Second writing of the mean swing: half swings as runs of one side."""
    level = 0.5 * math.sqrt(float(np.mean(x**2)))
    known = np.flatnonzero(np.abs(x) > level)
    turns = known[1:][np.sign(x[known[1:]]) != np.sign(x[known[:-1]])]
    halves = [x[a:b] for a, b in pairwise(turns)]
    tops = [h.max() for h in halves if h[0] > 0]
    bottoms = [h.min() for h in halves if h[0] < 0]
    if not tops or not bottoms:
        return float(np.ptp(x))
    return float(np.mean(tops) - np.mean(bottoms))


def reference_regularity(x: Rpm, group: int) -> tuple[float, float]:
    """Second writing of period and Thornhill's index from the autocorrelation."""
    thinned = x[: x.size // group * group].reshape(-1, group).mean(axis=1)
    lags = correlate(thinned, thinned, "full")[thinned.size - 1 :]
    lags = lags[: min(thinned.size, int(min(0.8 * thinned.size, 400 / group)) + 1)]
    (left,) = np.nonzero(np.signbit(lags[1:]) != np.signbit(lags[:-1]))
    crossings = (left + lags[left] / (lags[left] - lags[left + 1]))[:11]
    gaps = np.diff(crossings)
    if gaps.size < 3:
        return math.nan, math.nan
    return 0.2 * group * gaps.mean(), float(gaps.mean() / (3.0 * gaps.std()))


@QUICK
@given(runs())
def test_the_swing_agrees_with_a_second_writing(run: Story) -> None:
    rpm = run.rpm()
    found = measures_of(rpm)
    band = reference_band(rpm[40:440])
    assert found["hunting_rms_rpm"] == pytest.approx(math.sqrt(np.mean(band**2)), rel=1e-7)
    assert found["hunting_rpm"] == pytest.approx(reference_swing(band), rel=1e-7)
    # The spacing of the lags follows the period of the swings, a tenth of it down to 0.2 s.
    references = [reference_regularity(band, group) for group in range(2, 11)]
    if not math.isnan(found["regularity"]):
        told = (found["hunting_period_s"], found["regularity"])
        assert any(told == pytest.approx(one, rel=1e-5) for one in references)
    assert found["scatter_rms_rpm"] == pytest.approx(
        math.sqrt(np.polyfit(np.arange(400), rpm[40:440], 1, full=True)[1][0] / 400), rel=1e-6
    )


@QUICK
@given(runs(), st.floats(0.0, 120.0))
def test_settling_agrees_with_a_second_writing(run: Story, floor_rpm: float) -> None:
    rpm = run.rpm()
    found = measures_of(rpm, floor_rpm=floor_rpm)
    sums = np.convolve(rpm, np.ones(11), "same") / np.convolve(np.ones(800), np.ones(11), "same")
    outside = np.abs(sums - TARGET_RPM) > max(45.0, floor_rpm)
    (late,) = np.nonzero(outside[440:640])
    assert found["settle_s"] == pytest.approx(SAMPLE_s * (late[-1] + 1 if late.size else 0))
    assert found["outside_share"] == pytest.approx(outside[40:440].mean())
    before = rpm[400:440].mean()
    assert found["dip_rpm"] == pytest.approx(max(0.0, before - rpm[440:640].min()))
    assert found["flare_rpm"] == pytest.approx(max(0.0, rpm[440:640].max() - before))
    top = 600 + int(np.argmax(rpm[600:800]))
    assert found["blip_undershoot_rpm"] == pytest.approx(max(0.0, TARGET_RPM - rpm[top:].min()))
    assert found["lowest_rpm"] == rpm[40:640].min() or found["lowest_rpm"] == rpm[top:].min()
    assert found["highest_rpm"] == rpm[40:640].max()


@QUICK
@given(st.lists(st.tuples(st.integers(1, 799), st.integers(-3, 3)), max_size=40))
def test_wear_agrees_with_a_second_writing(moves: list[tuple[int, int]]) -> None:
    steps = np.full(800, 40.0)
    for at, by in moves:
        steps[at:] += by
    found = measure_runs(
        np.full((1, 800), 850.0, dtype=np.float32), steps.astype(np.float32)[None, :], [], 850.0
    )  # fmt: skip
    told = dict(zip([one.name for one in MEASURES], found[0].tolist(), strict=True))
    changes = np.diff(steps)[np.diff(steps) != 0.0]
    assert told["moves_per_min"] == pytest.approx(changes.size * 1.5)
    assert told["steps_per_min"] == pytest.approx(np.abs(changes).sum() * 1.5)
    assert told["reversals_per_min"] == pytest.approx(1.5 * (changes[1:] * changes[:-1] < 0).sum())


@QUICK
@given(st.data())
def test_a_batch_is_its_runs_one_by_one(data: st.DataObject) -> None:
    rpm = np.stack([data.draw(runs()).rpm() for _ in range(3)]).astype(np.float32)
    stalled_at = data.draw(st.lists(st.integers(-1, 900), min_size=3, max_size=3))
    floors = data.draw(st.lists(st.floats(0.0, 100.0), min_size=3, max_size=3))
    together = measure_runs(rpm, rpm, WINDOWS, TARGET_RPM, stalled_at, floors)
    for run in range(3):
        alone = measure_runs(
            rpm[run : run + 1], rpm[run : run + 1], WINDOWS, TARGET_RPM, stalled_at[run],
            floors[run],
        )  # fmt: skip
        np.testing.assert_array_equal(together[run : run + 1], alone)


@QUICK
@given(runs(), st.integers(0, 799))
def test_what_follows_a_stall_does_not_matter(run: Story, stalled_at: int) -> None:
    rpm = run.rpm()
    other = rpm.copy()
    other[stalled_at:] = 12345.0
    both = np.stack([rpm, other]).astype(np.float32)
    first, second = measure_runs(both, np.zeros_like(both), WINDOWS, TARGET_RPM, stalled_at)
    np.testing.assert_array_equal(first, second)
    assert not np.isinf(first).any()


@QUICK
@given(
    st.lists(st.tuples(st.floats(0.0, 3.0), st.floats(-1e4, 1e4)), min_size=1, max_size=60),
    st.sampled_from([0.01, 0.05, 0.1]),
)
def test_each_sample_is_the_last_value_by_then(rows: list[tuple[float, float]], dt_s: float) -> None:
    times = np.cumsum([gap for gap, _ in rows])
    values = np.array([value for _, value in rows])
    held = resample_hold(times, values, dt_s)
    assert held.size == pytest.approx(1.0 + (times[-1] - times[0]) / dt_s, abs=1.0)
    for k in range(held.size):
        by = times[0] + k * dt_s
        allowed = {np.float32(values[times <= t][-1]) for t in (by, by + 2e-6 * dt_s)}
        assert held[k] in allowed
