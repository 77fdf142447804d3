"""Puts the rows of a log in order of time: repeats, restarts, gaps."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tuning.logs.rows import Findings, FloatArray, IntArray

FEWEST_ROWS = 10
SLOWEST_s = 2.0
FASTEST_s = 1e-4
_USUAL_SLOWEST_s = 0.5
_USUAL_FASTEST_s = 0.002
_GAP_INTERVALS = 5.0
_GAP_s = 2.0
_BACK_SHARE = 0.02
_BACK_FEWEST = 3
_SPREAD_SHARE = 0.2
_SAME_SHARE = 0.95


@dataclass(frozen=True)
class Order:
    """Rows kept in order of time, their times, and the parts without restart or gap."""

    keep: IntArray
    time_s: FloatArray
    parts: tuple[slice, ...]
    rate_Hz: float
    notes: tuple[str, ...]


def usual_interval(time: FloatArray) -> float:
    """Return the usual difference between rows, repeated stamps shared out; nan if time never rises [s]."""
    steps = np.diff(time)
    rising = steps[steps > 0.0]
    if not rising.size:
        return float("nan")
    return float(np.median(rising)) * rising.size / int(np.count_nonzero(steps >= 0.0))


def put_in_order(
    time_s: FloatArray, others: Sequence[FloatArray], line_of_row: IntArray, findings: Findings
) -> Order:
    """Put rows in order of time."""
    _check_enough(time_s, line_of_row, findings)
    steps = np.diff(time_s)
    typical = _typical_s(steps)
    _check_rising(time_s, steps, typical, line_of_row, findings)
    segment = np.concatenate(([0], np.cumsum(steps < -max(1.0, _GAP_INTERVALS * typical))))
    notes = [
        f"time starts again at line {line_of_row[at + 1]} ({time_s[at]:.7g} s, then {time_s[at + 1]:.7g} s)"
        for at in np.flatnonzero(np.diff(segment))
    ]
    keep = _without_late(time_s, segment, line_of_row, notes)
    keep, spread = _without_doubles(keep, time_s, segment, others, line_of_row, notes)
    time, segment, lines = time_s[keep], segment[keep], line_of_row[keep]
    if spread:
        time, said = _spread(time, segment)
        notes.append(said)
    typical = _typical_s(np.diff(time)[np.diff(segment) == 0])
    _check_rate(typical, lines, findings, notes)
    parts = _parts(time, segment, typical, lines, notes)
    longest = max(part.stop - part.start for part in parts)
    if longest < FEWEST_ROWS:
        findings.add(
            "gaps", int(lines[0]), "time", f"torn into {len(parts)} pieces of at most {longest} "
            f"rows, allowed: at least {FEWEST_ROWS} rows without a gap"
        )  # fmt: skip
        findings.raise_any()
    rows = sum(part.stop - part.start - 1 for part in parts)
    lasts = sum(float(time[part.stop - 1] - time[part.start]) for part in parts)
    return Order(keep, time, parts, rows / lasts, tuple(notes))


def _typical_s(steps: FloatArray) -> float:
    """Return the interval that half of the recorded time passes in, so that bursts do not pass for it [s]."""
    rising = np.sort(steps[steps > 0.0])
    if not rising.size:
        return 0.0
    within = rising[rising <= _GAP_s]
    chosen = within if within.size >= FEWEST_ROWS - 1 else rising
    passed = np.cumsum(chosen)
    return float(chosen[np.searchsorted(passed, passed[-1] / 2.0)])


def _check_enough(time_s: FloatArray, line_of_row: IntArray, findings: Findings) -> None:
    if time_s.size >= FEWEST_ROWS:
        return
    rows = "row" if time_s.size == 1 else "rows"
    line = int(line_of_row[0]) if line_of_row.size else 1
    findings.add(
        "too few rows", line, "file", f"too few samples ({time_s.size} {rows} with time and rpm), "
        f"allowed: at least {FEWEST_ROWS}"
    )  # fmt: skip
    findings.raise_any()


def _check_rising(
    time_s: FloatArray, steps: FloatArray, typical: float, line_of_row: IntArray, findings: Findings
) -> None:
    if typical == 0.0:
        findings.add(
            "time", int(line_of_row[0]), "time", f"never rises ({time_s[0]:.7g} s first, "
            f"{time_s[-1]:.7g} s last), allowed: rising times"
        )  # fmt: skip
    back = np.flatnonzero(steps < 0.0)
    if back.size >= _BACK_FEWEST and back.size > _BACK_SHARE * time_s.size:
        at = int(back[0])
        findings.add(
            "time", int(line_of_row[at + 1]), "time", f"goes back {back.size} times in "
            f"{time_s.size} rows (here from {time_s[at]:.7g} to {time_s[at + 1]:.7g} s), "
            "allowed: rows in order of time, with a few restarts"
        )  # fmt: skip
    findings.raise_any()


def _check_rate(typical: float, lines: IntArray, findings: Findings, notes: list[str]) -> None:
    if typical > SLOWEST_s:
        findings.add(
            "rate", int(lines[0]), "time", f"rows too far apart ({typical:.4g} s), allowed: "
            f"{SLOWEST_s:g} s or less, better twenty rows a second; if time is in another unit, "
            "write it in the header"
        )  # fmt: skip
    elif typical < FASTEST_s:
        findings.add(
            "rate", int(lines[0]), "time", f"rows too close together ({typical:.4g} s), allowed: "
            f"{FASTEST_s:g} s or more; if time is in another unit, write it in the header"
        )  # fmt: skip
    findings.raise_any()
    if typical > _USUAL_SLOWEST_s:
        notes.append(f"rows {typical:.3g} s apart: too slow to show how the engine answers")
    if typical < _USUAL_FASTEST_s:
        notes.append(f"rows only {typical:.3g} s apart: if time is in minutes, write it in the header")


def _without_late(time_s: FloatArray, segment: IntArray, line_of_row: IntArray, notes: list[str]) -> IntArray:
    """Leave out rows that go back a little within a segment: written late, out of order."""
    late = np.zeros(time_s.size, np.bool_)
    edges = np.flatnonzero(np.diff(segment, prepend=-1, append=segment[-1] + 1))
    for start, stop in itertools.pairwise(edges):
        piece = time_s[start:stop]
        late[start:stop] = piece < np.maximum.accumulate(piece)
    if late.any():
        lines = line_of_row[late]
        notes.append(f"{lines.size} rows out of order left out (first at line {lines[0]})")
    return np.flatnonzero(~late)


def _without_doubles(
    keep: IntArray, time_s: FloatArray, segment: IntArray, others: Sequence[FloatArray],
    line_of_row: IntArray, notes: list[str],
) -> tuple[IntArray, bool]:  # fmt: skip
    """Leave out rows whose time stood before, unless the clock ticks too coarsely: then times are spread."""
    again = np.zeros(keep.size, np.bool_)
    again[1:] = (np.diff(time_s[keep]) == 0.0) & (np.diff(segment[keep]) == 0)
    count = int(np.count_nonzero(again))
    if not count:
        return keep, False
    rows = np.flatnonzero(again)
    same = np.ones(count, np.bool_)
    for values in others:
        same &= values[keep[rows]] == values[keep[rows - 1]]
    few_a_stamp = count <= 0.6 * keep.size
    written_twice = few_a_stamp and np.count_nonzero(same) >= _SAME_SHARE * count
    if count > _SPREAD_SHARE * keep.size and not written_twice:
        return keep, True
    first = line_of_row[keep[rows[0]]]
    notes.append(f"{count} rows with a duplicated time left out (first at line {first})")
    return keep[~again], False


def _spread(time: FloatArray, segment: IntArray) -> tuple[FloatArray, str]:
    """Spread rows that share a stamp evenly over the time until the next stamp."""
    fresh = np.concatenate(([True], (np.diff(time) != 0.0) | (np.diff(segment) != 0)))
    starts = np.flatnonzero(fresh)
    counts = np.diff(np.append(starts, time.size))
    stamps, owner = time[starts], segment[starts]
    steps = np.append(np.diff(stamps), np.nan)
    steps[:-1][np.diff(owner) != 0] = np.nan
    row_s = float(np.nanmedian(steps / counts))
    usual_step = float(np.nanmedian(steps))
    # Before a gap, and at the end, rows go on at their usual rate.
    pause = ~(steps <= 2.0 * np.maximum(usual_step, counts * row_s))
    lasts = np.where(pause, np.fmin(steps, counts * row_s), steps)
    # Recording begins within a tick of the clock: its few first rows belong to the tick's end.
    begins = np.concatenate(([True], pause[:-1]))
    late = begins & (counts * row_s < 0.75 * lasts)
    offset = np.where(late, lasts - counts * row_s, 0.0)
    lasts = np.where(late, counts * row_s, lasts)
    group = np.cumsum(fresh) - 1
    place = np.arange(time.size) - starts[group]
    spread = time + offset[group] + lasts[group] * place / counts[group]
    said = (
        f"time stamps repeat (about {time.size / starts.size:.2g} rows a stamp, stamps "
        f"{usual_step:.4g} s apart): rows of a stamp are spread evenly, {1.0 / row_s:.3g} a second"
    )
    return spread, said


def _parts(
    time: FloatArray, segment: IntArray, typical: float, lines: IntArray, notes: list[str]
) -> tuple[slice, ...]:
    """Return the stretches between restarts and gaps."""
    steps = np.diff(time)
    limit = min(_GAP_INTERVALS * typical, _GAP_s)
    gap = (steps > limit) & (np.diff(segment) == 0)
    notes += [f"gap of {steps[at]:.3g} s before line {lines[at + 1]}" for at in np.flatnonzero(gap)[:5]]
    if np.count_nonzero(gap) > 5:
        notes.append(f"{np.count_nonzero(gap) - 5} more gaps longer than {limit:.3g} s")
    cuts = np.flatnonzero(gap | (np.diff(segment) != 0)) + 1
    edges = [0, *cuts.tolist(), time.size]
    return tuple(slice(a, b) for a, b in itertools.pairwise(edges))
