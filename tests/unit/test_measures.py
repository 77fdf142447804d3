"""Measures of idle quality, of traces and of batches: what is called hunting, and the edges."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

import sim
from sim import load_car, load_scenario, simulate
from sim.scenario import Window
from tests.said import is_hunting
from tuning.measures.measuring import SAMPLE_s, measure, measure_runs, resample_hold, windows_table
from tuning.measures.row import COLUMN, MEASURES, WINDOW_KINDS, Measures

SEEDS = 300
Runs = NDArray[np.float32]


@dataclass
class Log:
    """A recorded log with what measures look at."""

    time_s: NDArray[np.float64]
    rpm: NDArray[np.float64]
    valve_steps: NDArray[np.float64] | None = None
    target_rpm: float | NDArray[np.float64] | None = None
    windows: list[tuple[str, float, float]] | None = None
    stalled_s: float | None = None


def grid(length_s: float) -> NDArray[np.float64]:
    """Times of the samples of a run of this length."""
    return SAMPLE_s * np.arange(1, round(length_s / SAMPLE_s) + 1, dtype=np.float64)


def scatter(length_s: float, rms_rpm: float, memory: float) -> NDArray[np.float64]:
    """Rpm scatter with a memory from sample to sample, a row for each seed."""
    settled = 200
    white = np.random.default_rng(11).standard_normal((SEEDS, grid(length_s).size + settled))
    kept = lfilter([rms_rpm * math.sqrt(1.0 - memory**2)], [1.0, -memory], white, axis=1)
    return kept[:, settled:].astype(np.float64)


def measured(rpm: NDArray[np.float64], target_rpm: float = 850.0) -> list[Measures]:
    """Measures of runs that idle throughout."""
    samples = rpm.astype(np.float32)
    windows = [("hunting", 0.0, samples.shape[1] * SAMPLE_s)]
    rows = measure_runs(samples, np.zeros_like(samples), windows, target_rpm)
    return [Measures(*row.tolist()) for row in rows]


def sine(length_s: float, peak_to_peak_rpm: float, period_s: float) -> NDArray[np.float64]:
    """A swing about 850 rpm at rising phases, a row for each seed."""
    phase = np.linspace(0.0, 1.0, SEEDS, endpoint=False)[:, None]
    turns = grid(length_s) / period_s + phase
    swing: NDArray[np.float64] = 0.5 * peak_to_peak_rpm * np.sin(2.0 * np.pi * turns)
    return 850.0 + swing


@pytest.mark.parametrize("memory", [0.0, 0.7, 0.9])
@pytest.mark.parametrize("with_floor", [False, True])
def test_a_swing_in_scatter_is_hunting_and_scatter_alone_is_not(memory: float, with_floor: bool) -> None:
    quiet = measured(850.0 + scatter(30.0, 13.0, memory))
    hunting = measured(sine(30.0, 60.0, 4.0) + scatter(30.0, 13.0, memory))
    floor = float(np.median([m.hunting_rpm for m in quiet])) if with_floor else None
    assert np.mean([is_hunting(m, floor) for m in hunting]) >= 0.97
    assert np.mean([is_hunting(m, floor) for m in quiet]) <= 0.03
    assert np.median([m.hunting_period_s for m in hunting]) == pytest.approx(4.0, rel=0.01)


def test_a_regular_swing_within_the_floor_is_not_hunting() -> None:
    (swing,) = measured(sine(30.0, 20.0, 3.0)[:1])
    assert is_hunting(swing)
    assert is_hunting(swing, 15.0)
    assert not is_hunting(swing, 16.0)
    assert not is_hunting(measured(sine(30.0, 4.0, 3.0)[:1])[0])
    assert is_hunting(swing, math.nan)


def test_a_stretch_too_short_to_tell_is_not_called_hunting() -> None:
    (short,) = measured(sine(20.0, 60.0, 12.0)[:1])
    assert short.hunting_rpm > 50.0
    assert math.isnan(short.regularity)
    assert not is_hunting(short)
    (shorter,) = measured(sine(4.9, 60.0, 1.0)[:1])
    assert math.isnan(shorter.hunting_rpm)
    assert not is_hunting(shorter)
    (enough,) = measured(sine(5.0, 60.0, 1.0)[:1])
    assert enough.hunting_rpm == pytest.approx(60.0, rel=0.05)


@pytest.mark.parametrize("period_s", [1.5, 2.0, 4.0, 8.0])
def test_peak_to_peak_rms_and_period_of_a_sine(period_s: float) -> None:
    found = measured(sine(40.0, 60.0, period_s))
    assert np.mean([m.hunting_rpm for m in found]) == pytest.approx(60.0, rel=0.02)
    assert [m.hunting_rpm for m in found] == pytest.approx([60.0] * SEEDS, rel=0.05)
    assert np.mean([m.hunting_rms_rpm for m in found]) == pytest.approx(60.0 / math.sqrt(8.0), rel=0.03)
    assert [m.hunting_period_s for m in found] == pytest.approx([period_s] * SEEDS, rel=0.01)
    assert min(m.regularity for m in found) > 5.0
    assert min(m.repeat_share for m in found) > 0.95


def test_the_worst_hunting_window_is_told() -> None:
    rpm = np.concatenate([sine(20.0, 20.0, 2.0)[0], sine(20.0, 60.0, 4.0)[0]])
    log = Log(grid(40.0), rpm)
    first, second = ("hunting", 0.0, 20.0), ("hunting", 20.0, 40.0)
    both = measure(log, [first, second])
    assert both.to_dict() == measure(log, [second, first]).to_dict()
    assert both.hunting_rpm == measure(log, [second]).hunting_rpm
    assert both.hunting_period_s == pytest.approx(4.0, rel=0.02)


def test_a_dead_straight_run_has_no_swing() -> None:
    (still,) = measured(np.full((1, 600), 850.0))
    assert still.hunting_rpm == 0.0
    assert still.scatter_rms_rpm == 0.0
    assert still.mean_error_rpm == 0.0
    (drifting,) = measured(np.linspace(800.0, 900.0, 600)[None, :])
    assert drifting.hunting_rpm < 0.01
    assert drifting.scatter_rms_rpm < 0.01
    assert not is_hunting(still)
    assert not is_hunting(drifting)


def test_a_trace_and_a_batch_give_the_same_numbers() -> None:
    rpm = (sine(30.0, 60.0, 4.0) + scatter(30.0, 13.0, 0.9))[:5].astype(np.float32)
    steps = np.round(30.0 + np.cumsum(scatter(30.0, 0.3, 0.0)[:5], axis=1)).astype(np.float32)
    windows = [("hunting", 0.0, 20.0), ("load", 20.0, 30.0)]
    rows = measure_runs(rpm, steps, windows, 860.0, floor_rpm=50.0)
    for run in range(5):
        log = Log(grid(30.0), rpm[run], steps[run], 860.0, windows)
        found = measure(log, floor_rpm=50.0)
        np.testing.assert_array_equal(list(vars_of(found).values()), rows[run])


def test_a_simulated_trace_and_its_log_give_the_same_numbers() -> None:
    scenario = load_scenario("lamps")
    trace = simulate(load_car("trials"), scenario, seed=1)
    rpm = trace.resampled("rpm")
    log = Log(
        SAMPLE_s * np.arange(1, rpm.size + 1, dtype=np.float64),
        rpm,
        trace.resampled("valve_steps"),
        trace.resampled("target_rpm"),
    )
    found = measure(trace, scenario.measure)
    assert found.to_dict() == measure(log, scenario.measure).to_dict()
    assert SAMPLE_s == sim.SAMPLE_s
    assert found.worst_dip_rpm > 20.0
    assert found.moves_per_min > 0.0
    assert found.lowest_rpm == np.float32(rpm[round(scenario.measure[0].from_s / SAMPLE_s) :].min())


def vars_of(measures: Measures) -> dict[str, float]:
    """Measures by name, nan as it is."""
    return {one.name: getattr(measures, one.name) for one in MEASURES}


def test_windows_are_in_the_trace_s_own_time() -> None:
    rpm = sine(40.0, 60.0, 4.0)[0]
    late = Log(grid(40.0) + 1000.0, rpm, None, 850.0, [("load", 1020.0, 1040.0)], 1035.0)
    early = Log(grid(40.0), rpm, None, 850.0, [("load", 20.0, 40.0)], 35.0)
    told = vars_of(measure(late)) | {"stalled_s": 35.0}
    np.testing.assert_array_equal(list(told.values()), list(vars_of(measure(early)).values()))
    assert measure(late).stalled_s == 1035.0
    assert measure(late).worst_below_target_rpm == 850.0


def test_windows_of_a_scenario_file_are_taken() -> None:
    windows = [Window(what="start", from_s=0.0, to_s=5.0), Window(what="blip", from_s=5, to_s=9)]
    assert windows_table(windows).tolist() == [[3.0, 0.0, 5.0], [2.0, 5.0, 9.0]]
    allowed = Window.model_json_schema()["properties"]["what"]["enum"]
    assert set(allowed) == set(WINDOW_KINDS)
    assert windows_table([]).shape == (0, 3)


@pytest.mark.parametrize(
    ("window", "told"),
    [
        (("idle", 0.0, 1.0), r"unknown kind \(idle\), allowed: hunting, load, blip, start"),
        (("load", 2.0, 2.0), "load window from 2.0 s to 2.0 s"),
        (("load", math.nan, 2.0), "allowed: end after begin"),
        (("load", 0.0, math.inf), "allowed: end after begin"),
    ],
)
def test_a_window_that_makes_no_sense_is_refused(window: tuple[str, float, float], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        windows_table([window])


def test_a_log_without_target_or_valve_has_the_rest() -> None:
    log = Log(grid(32.0), sine(32.0, 60.0, 4.0)[0])
    found = measure(log)
    told = {name for name, value in found.to_dict().items() if value is not None}
    assert told == {
        "hunting_rpm", "hunting_rms_rpm", "hunting_period_s", "regularity", "repeat_share",
        "scatter_rms_rpm", "lowest_rpm", "highest_rpm", "stalled",
    }  # fmt: skip
    assert measure(log, target=840.0).mean_error_rpm == pytest.approx(-10.0, abs=0.5)
    empty = np.full(log.time_s.size, math.nan)
    assert vars_of(measure(Log(log.time_s, log.rpm, empty, empty))) == pytest.approx(
        vars_of(found), nan_ok=True
    )


def test_a_target_that_changes_counts_window_by_window() -> None:
    times = grid(40.0)
    target = np.where(times > 20.0, 900.0, 800.0)
    log = Log(times, target - 12.0, None, target)
    found = measure(log, [("hunting", 0.0, 19.7), ("hunting", 20.3, 40.0)])
    assert found.mean_error_rpm == pytest.approx(12.0)
    assert found.outside_share == 0.0


def test_measures_go_into_json() -> None:
    told = measure(Log(grid(30.0), sine(30.0, 60.0, 4.0)[0])).to_dict()
    assert list(told) == [one.name for one in MEASURES]
    assert list(COLUMN) == list(told)
    assert json.loads(json.dumps(told, allow_nan=False))["start_s"] is None
    assert all(one.meaning and one.unit for one in MEASURES)
    for one in MEASURES:
        if one.name.endswith(("_rpm", "_s")):
            assert one.unit == one.name.rpartition("_")[2]


def test_a_signal_is_held_on_the_grid() -> None:
    times, values = [0.0, 0.04, 0.1, 0.1, 0.22], [1.0, 2.0, 3.0, 4.0, 5.0]
    assert resample_hold(times, values).tolist() == [1.0, 2.0, 4.0, 4.0, 4.0]
    assert resample_hold(times, values, 0.1).tolist() == [1.0, 4.0, 4.0]
    assert resample_hold(times, [math.nan, 2.0, math.nan, math.inf, 5.0]).tolist() == [2.0] * 5
    assert resample_hold([3.0], [7.0]).tolist() == [7.0]
    even = 1.05 + np.arange(2001) * 0.05
    assert resample_hold(even, even).tolist() == even.astype(np.float32).tolist()


@pytest.mark.parametrize(
    ("times", "values", "told"),
    [
        ([0.0, 1.0], [1.0], "allowed: one row each"),
        ([], [], "allowed: rising times"),
        ([0.0, 2.0, 1.0], [1.0, 1.0, 1.0], "allowed: rising times"),
        ([0.0, math.nan], [1.0, 1.0], "allowed: rising times"),
        ([0.0, 1.0], [math.nan, math.inf], "allowed: at least one"),
    ],
)
def test_a_signal_that_cannot_be_held_is_refused(times: list[float], values: list[float], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        resample_hold(times, values)


def test_a_batch_of_the_wrong_shape_is_refused() -> None:
    rpm: Runs = np.zeros((2, 100), dtype=np.float32)
    with pytest.raises(ValueError, match=r"rpm of shape \(2, 100\), steps of \(100,\)"):
        measure_runs(rpm, rpm[0], [], 850.0)
    with pytest.raises(ValueError, match="allowed: above 0 to"):
        measure_runs(rpm, rpm, [], 850.0, dt_s=0.2)
