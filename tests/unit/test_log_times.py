"""Times of a log: forms, repeats, disorder, restarts, gaps, too few, too slow."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from sim.errors import InputError
from tuning.logs.log import Log, read_log


def log_of(
    folder: Path, times: Sequence[object], rpm: Sequence[float] | None = None, name: str = "Time"
) -> Log:
    path = folder / "a.csv"
    values = 850.0 + 9.0 * np.sin(np.arange(len(times))) if rpm is None else rpm
    lines = [f"{t},{r}" for t, r in zip(times, values, strict=True)]
    path.write_text("\n".join([f"{name},rpm", *lines]) + "\n", encoding="utf-8")
    return read_log(path)


def refusal(folder: Path, times: Sequence[object], name: str = "Time") -> str:
    with pytest.raises(InputError) as caught:
        log_of(folder, times, name=name)
    return str(caught.value).removeprefix(f"{folder / 'a.csv'}:")


EVEN = np.round(np.arange(200) * 0.05, 3)


def clock(seconds: float, form: str) -> str:
    moment = dt.datetime(2024, 3, 31, 14, 2, 3) + dt.timedelta(seconds=seconds)
    return moment.strftime(form)


@pytest.mark.parametrize(
    ("write", "start"),
    [
        (lambda t: f"{t:.2f}", 0.0),
        (lambda t: f"{t * 1000:.0f}", 0.0),
        (lambda t: f"{t * 1e6:.0f}", 0.0),
        (lambda t: f"{t - 5:.2f}", -5.0),
        (lambda t: f"{t + 1.7e9:.2f}", 0.0),
        (lambda t: f"0:00:{t:06.3f}", 0.0),
        (lambda t: f"00:{t:05.2f}", 0.0),
        (lambda t: clock(t, "%H:%M:%S.%f"), 50523.0),
        (lambda t: clock(t, "%I:%M:%S.%f %p"), 50523.0),
        (lambda t: clock(t, '"%H:%M:%S,%f"'), 50523.0),
        (lambda t: clock(t, "%Y-%m-%d %H:%M:%S.%f"), 0.0),
        (lambda t: clock(t, "%Y-%m-%dT%H:%M:%S.%f+02:00"), 0.0),
        (lambda t: clock(t, "%Y-%m-%dT%H:%M:%S.%fZ"), 0.0),
        (lambda t: clock(t, "%d.%m.%Y %H:%M:%S.%f"), 0.0),
        (lambda t: clock(t, "%d/%m/%Y %H:%M:%S.%f"), 0.0),
        (lambda t: clock(t, "%m/%d/%Y %H:%M:%S.%f"), 0.0),
        (lambda t: f"{(t + 1.7e9) * 1000:.0f}", 0.0),
        (lambda t: clock(t, "%d-Mar-%Y %H:%M:%S.%f")[:-3], 0.0),
        (lambda t: clock(t, "%d %B %Y %H:%M:%S.%f")[:-3], 0.0),
        (lambda t: clock(t, '"Sun, %d March %Y %H:%M:%S.%f"')[:-4] + '"', 0.0),
        (lambda t: clock(t, "%d. März %Y %H:%M:%S.%f")[:-3], 0.0),
        (lambda t: clock(t, "%d-Mar-%y %H:%M:%S.%f")[:-3], 0.0),
        (lambda t: clock(t, "%d-Mar-%Y %H:%M:%S:%f")[:-3], 0.0),
    ],
)
def test_forms_of_time(tmp_path: Path, write: Callable[[float], str], start: float) -> None:
    log = log_of(tmp_path, [write(t) for t in EVEN])
    np.testing.assert_allclose(log.time_s, EVEN + start, atol=2e-6)
    assert log.rate_Hz == pytest.approx(20.0, rel=1e-5)
    assert log.parts == (slice(0, 200),)


def test_units_of_time_in_the_header(tmp_path: Path) -> None:
    for unit, in_s in (("min", 60.0), ("ms", 1e-3), ("s", 1.0), ("hours", 3600.0)):
        log = log_of(tmp_path, [repr(float(t / in_s)) for t in EVEN], name=f"Time ({unit})")
        np.testing.assert_allclose(log.time_s, EVEN, atol=1e-12)


def test_clock_goes_on_past_midnight(tmp_path: Path) -> None:
    times = [
        f"{h:02d}:{m:02d}:{s:04.1f}"
        for h, m, s in [(23, 59, 50 + 0.5 * k) for k in range(20)] + [(0, 0, 0.5 * k) for k in range(20)]
    ]
    log = log_of(tmp_path, times)
    np.testing.assert_allclose(np.diff(log.time_s), 0.5)
    assert len(log.parts) == 1


def test_a_cell_that_is_no_time_is_refused(tmp_path: Path) -> None:
    times: list[object] = [clock(t, "%H:%M:%S.%f") for t in EVEN]
    times[30], times[40] = "25 past", ""
    assert refusal(tmp_path, times) == (
        "32: Time: not a time ('25 past'), allowed: clock time as in other rows"
    )
    times = [clock(t, "%Y-%m-%d %H:%M:%S.%f") for t in EVEN]
    times[30] = "2024-02-30 10:00:00"
    assert refusal(tmp_path, times).startswith("32: Time: not a time ('2024-02-30 10:00:00')")


def test_whole_seconds_are_spread_evenly(tmp_path: Path) -> None:
    log = log_of(tmp_path, [int(t) for t in EVEN])
    np.testing.assert_allclose(log.time_s, EVEN, atol=1e-9)
    assert len(log.notes) == 1
    assert log.notes[0] == (
        "time stamps repeat (about 20 rows a stamp, stamps 1 s apart): rows of a stamp are spread "
        "evenly, 20 a second"
    )


def test_recording_that_begins_and_pauses_within_a_second(tmp_path: Path) -> None:
    true = np.concatenate((np.arange(0.7, 6.0, 0.05), np.arange(60.4, 66.0, 0.05))) + 1e-6
    log = log_of(tmp_path, true.astype(int).tolist())
    np.testing.assert_allclose(log.time_s, true, atol=0.051)
    first = int(np.count_nonzero(true < 30.0))
    assert log.parts == (slice(0, first), slice(first, true.size))


def test_rows_written_twice_are_left_out(tmp_path: Path) -> None:
    rpm = 850.0 + np.arange(200.0)
    log = log_of(tmp_path, np.repeat(EVEN, 2).tolist(), np.repeat(rpm, 2).tolist())
    np.testing.assert_array_equal(log.time_s, EVEN)
    np.testing.assert_array_equal(log.rpm, rpm)
    assert log.notes == ("200 rows with a duplicated time left out (first at line 3)",)


def test_a_few_duplicated_times_are_left_out(tmp_path: Path) -> None:
    times = EVEN.copy()
    times[[20, 50]] = times[[19, 49]]
    log = log_of(tmp_path, times.tolist())
    assert log.time_s.size == 198
    assert log.notes == ("2 rows with a duplicated time left out (first at line 22)",)


def test_a_few_rows_out_of_order_are_left_out(tmp_path: Path) -> None:
    times = EVEN.copy()
    times[[30, 31]] = times[[31, 30]]
    log = log_of(tmp_path, times.tolist())
    np.testing.assert_array_equal(log.time_s, np.delete(EVEN, 30))
    assert log.notes == ("1 rows out of order left out (first at line 33)",)


def test_shuffled_rows_are_refused(tmp_path: Path) -> None:
    times = np.random.default_rng(0).permutation(EVEN)
    assert "goes back" in refusal(tmp_path, times.tolist())


def test_restarts_make_parts(tmp_path: Path) -> None:
    log = log_of(tmp_path, [*EVEN[:120], *EVEN[:80]])
    assert log.parts == (slice(0, 120), slice(120, 200))
    assert log.rate_Hz == pytest.approx(20.0)
    assert log.notes == ("time starts again at line 122 (5.95 s, then 0 s)",)


def test_a_restart_with_its_header_written_again(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    block = ["Time [s],rpm", "(s),(1/min)", *(f"{t},{850 + k % 7}" for k, t in enumerate(EVEN))]
    path.write_text("\n".join(block + block) + "\n", encoding="utf-8")
    log = read_log(path)
    assert log.parts == (slice(0, 200), slice(200, 400))
    assert "header repeated: line 203, 204" in log.notes


def test_gaps_make_parts(tmp_path: Path) -> None:
    times = EVEN.copy()
    times[50:] += 0.21
    times[90:] += 0.19
    times[150:] += 8.0
    log = log_of(tmp_path, times.tolist())
    assert log.parts == (slice(0, 50), slice(50, 150), slice(150, 200))
    assert log.notes[0] == "gap of 0.26 s before line 52"
    assert log.rate_Hz == pytest.approx(199 / (EVEN[-1] + 0.19), rel=0.02)


def test_uneven_times_are_kept(tmp_path: Path) -> None:
    random = np.random.default_rng(5)
    times = np.cumsum(random.uniform(0.02, 0.08, 400))
    log = log_of(tmp_path, [repr(float(t)) for t in times])
    np.testing.assert_array_equal(log.time_s, times)
    assert len(log.parts) == 1
    assert log.rate_Hz == pytest.approx(20.0, rel=0.05)


def test_bursts_of_rows_do_not_pass_for_the_rate(tmp_path: Path) -> None:
    # Three rows a millisecond apart every 60 ms, as recorders of a bus write them.
    times = (np.arange(100)[:, None] * 0.06 + np.arange(3) * 0.001).ravel()
    log = log_of(tmp_path, np.round(times, 4).tolist())
    assert len(log.parts) == 1


def test_hours_are_read(tmp_path: Path) -> None:
    times = np.round(np.arange(36_000) * 0.5, 1)
    log = log_of(tmp_path, times.tolist())
    assert log.time_s[-1] == times[-1] == 17999.5
    assert len(log.parts) == 1


@pytest.mark.parametrize(
    ("times", "name", "message"),
    [
        ([0.0], "Time", "2: file: too few samples (1 row with time and rpm), allowed: at least 10"),
        ([5.0] * 40, "Time", "2: time: never rises (5 s first, 5 s last), allowed: rising times"),
        (np.arange(40) * 3600, "Time (s)", "2: time: rows too far apart (3600 s), allowed: 2 s or"),
        (np.arange(40) * 1e-6, "Time (s)", "2: time: rows too close together (1e-06 s), allowed:"),
        (
            np.repeat(np.arange(20) * 30.0, 5) + np.tile(np.arange(5) * 0.5, 20), "Time (s)",
            "2: time: torn into 20 pieces of at most 5 rows, allowed: at least 10 rows without",
        ),
    ],
)  # fmt: skip
def test_useless_times_are_refused(tmp_path: Path, times: Sequence[float], name: str, message: str) -> None:
    assert refusal(tmp_path, list(times), name).startswith(message)


def test_odd_rates_are_remarked_on(tmp_path: Path) -> None:
    assert log_of(tmp_path, (np.arange(40) * 1.0).tolist()).notes == (
        "rows 1 s apart: too slow to show how the engine answers",
    )
    assert log_of(tmp_path, np.round(EVEN / 60.0, 6).tolist()).notes == (
        "rows only 0.000833 s apart: if time is in minutes, write it in the header",
    )


def test_slow_refresh_is_noticed_and_coarse_values_are_not(tmp_path: Path) -> None:
    held = np.repeat(850.0 + np.random.default_rng(1).standard_normal(50), 4)
    log = log_of(tmp_path, EVEN.tolist(), held.tolist())
    assert log.refresh_s["rpm"] == pytest.approx(0.2)
    assert "rpm is refreshed only about every 0.2 s and repeated between" in log.notes
    coarse = np.round(850.0 + 30.0 * np.sin(EVEN * 3.0) + np.cos(EVEN * 77.0) * 12.0, -1)
    assert log_of(tmp_path, EVEN.tolist(), coarse.tolist()).refresh_s == {}
