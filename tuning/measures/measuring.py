"""Measures of idle quality: of a trace, a log or a batch of runs, by one implementation.

Exact definitions stand in the docstrings of ``tuning.measures.windows``, ``swings`` and ``band``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import ArrayLike

from tuning.measures.row import COLUMN, MEASURES, START, WINDOW_KINDS, Measures

if TYPE_CHECKING:
    from tuning.measures.band import Floats, Samples

START_MEASURES = ("start_s", "start_flare_rpm", "start_lowest_rpm", "start_stable_s")
"""What a start window leaves."""
SAMPLE_s = 0.05  # Spacing of the samples that measures are taken from [s].


class _Recorded(Protocol):
    """What ``measure`` needs: a trace, a log, or anything with times and rpm.

    Times rise, even or not. It may also have ``valve_steps`` and ``target_rpm`` (arrays as long, or one
    number for the target), ``windows``, and ``stalled_s``, the time from which the engine no longer runs
    (nan: it does). Where it has ``resampled(name, spacing_s)``, as a simulated trace has, its samples are
    taken from there; a recorded log is resampled by ``resample_hold``.
    """

    @property
    def time_s(self) -> ArrayLike: ...
    @property
    def rpm(self) -> ArrayLike: ...


class _Span(Protocol):
    """What is measured, one of ``WINDOW_KINDS``, and over which span of a run, as scenarios have it."""

    @property
    def what(self) -> str: ...
    @property
    def from_s(self) -> float: ...
    @property
    def to_s(self) -> float: ...


Windows = Iterable[_Span | tuple[str, float, float]]


def windows_table(windows: Windows) -> Floats:
    """Windows as the compiled reduction takes them: kind code, beginning and end [-, s, s]."""
    rows = []
    for one in windows:
        what, from_s, to_s = one if isinstance(one, tuple) else (one.what, one.from_s, one.to_s)
        if what not in WINDOW_KINDS:
            allowed = ", ".join(WINDOW_KINDS)
            raise ValueError(f"window of unknown kind ({what}), allowed: {allowed}")
        if not from_s < to_s < math.inf:
            raise ValueError(f"{what} window from {from_s} s to {to_s} s, allowed: end after begin")
        rows.append((WINDOW_KINDS[what], from_s, to_s))
    return np.array(rows, dtype=np.float64).reshape(len(rows), 3)


def resample_hold(time_s: ArrayLike, values: ArrayLike, dt_s: float = SAMPLE_s) -> Samples:
    """Put a recorded signal on an even grid, holding each finite value until the next.

    Parameters
    ----------
    time_s, values, dt_s : array_like, array_like, float
        Times, rising, of equal ones the last counts; the signal; spacing of the grid [s].

    Returns
    -------
    ndarray of float32
        The last value at or before each place: a log recorded at this spacing gives its own rows.

    Raises
    ------
    ValueError
        If the shapes differ, times fall or are not finite, or no value is finite.
    """
    t, x = np.asarray(time_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if t.ndim != 1 or t.shape != x.shape:
        raise ValueError(f"times of shape {t.shape}, values of {x.shape}, allowed: one row each")
    if t.size == 0 or not np.all(np.isfinite(t)) or np.any(np.diff(t) < 0.0):
        raise ValueError("times that are missing, not finite or falling, allowed: rising times")
    known = np.flatnonzero(np.isfinite(x))
    if known.size == 0:
        raise ValueError("no finite value, allowed: at least one")
    samples = 1 + math.floor((t[-1] - t[0]) / dt_s + 1e-6)
    grid = t[0] + dt_s * (np.arange(samples) + 1e-6)
    held = np.searchsorted(t[known], grid, side="right") - 1
    return x[known][np.maximum(held, 0)].astype(np.float32)


def _samples(trace: _Recorded, name: str) -> Samples | None:
    """Samples of a signal; None if the trace has it not, or nothing finite of it."""
    given: ArrayLike | None = getattr(trace, name, None)
    if given is None or not np.any(np.isfinite(np.asarray(given, dtype=np.float64))):
        return None
    if np.ndim(given) == 0:
        given = np.full(np.shape(trace.time_s), given, dtype=np.float64)
    resampled = getattr(trace, "resampled", None)
    if resampled is not None:
        return np.ascontiguousarray(resampled(name, SAMPLE_s), dtype=np.float32)
    return resample_hold(trace.time_s, given)


def _target_table(table: Floats, target: Samples, begin_s: float) -> Floats:
    """Append each window's own target, the mean over it, as a fourth column."""
    first = np.clip(np.floor((table[:, 1] - begin_s) / SAMPLE_s + 0.5), 0, target.size - 1)
    past = np.clip(np.floor((table[:, 2] - begin_s) / SAMPLE_s + 0.5), first + 1, target.size)
    spans = zip(first.astype(int), past.astype(int), strict=True)
    means = [float(np.mean(target[a:b], dtype=np.float64)) for a, b in spans]
    return np.column_stack([table, means])


def _beside_target(rpm: Samples, target: Samples, starts: Floats) -> Samples:
    """Speed less what the target has moved since each start; the table gets that first target.

    While an engine warms up its target falls, and what counts is the distance from it.
    """
    moved = rpm.astype(np.float64)
    for row in starts:
        first = int(np.clip(math.floor(row[1] / SAMPLE_s + 0.5), 0, target.size - 1))
        past = int(np.clip(math.floor(row[2] / SAMPLE_s + 0.5), first + 1, target.size))
        moved[first:past] -= target[first:past] - float(target[first])
        row[3] = target[first]
    return moved.astype(np.float32)


def stalled_at(stalled_s: float, begin_s: float) -> int:
    """First sample at or after a stall, -1 without: its time, nan without one, and the first sample's [s]."""
    if math.isnan(stalled_s):
        return -1
    return max(0, math.ceil((stalled_s - begin_s) / SAMPLE_s - 1e-6) - 1)


def _reduced(
    rpm: Samples, steps: Samples | None, target: Samples | None, table: Floats, stalled_at: int,
    floor_rpm: float,
) -> Floats:  # fmt: skip
    """Row of measures of one run; starts are measured beside the target of the moment."""
    from tuning.measures.reduce import reduce_runs, scratch_size

    scratch = np.empty(scratch_size(rpm.size, SAMPLE_s))

    def reduced(speed: Samples, windows: Floats) -> Floats:
        row = np.empty(len(MEASURES))
        reduce_runs(  # of one run: a way in of its own would be compiled again
            speed[None], (speed[:0] if steps is None else steps)[None], speed.size, SAMPLE_s, np.zeros(1),
            np.array([stalled_at]), np.array([floor_rpm]), windows, scratch, row[None],
        )  # fmt: skip
        return row

    out = reduced(rpm, table)
    starts = table[table[:, 0] == START]
    if target is not None and starts.size:
        places = [COLUMN[name] for name in START_MEASURES]
        out[places] = reduced(_beside_target(rpm, target, starts), starts)[places]
    return out


def measure(
    trace: _Recorded, windows: Windows | None = None, target: float | None = None, floor_rpm: float = 0.0
) -> Measures:
    """Measure the idle quality of one trace or log.

    Parameters
    ----------
    trace, windows : Trace or Log, iterable
        Kind, beginning and end of each window, in the trace's own time; else the trace's own ``windows``, and
        failing that one hunting window over all of it.
    target, floor_rpm : float, optional
        Target, else the trace's own: its mean over each window, in a start that of each moment (without,
        measures that need it are nan); ``hunting_rpm`` with the valve held: no narrower is the band [rpm].

    Returns
    -------
    Measures

    Raises
    ------
    ValueError
        If there is no finite rpm.
    """
    rpm = _samples(trace, "rpm")
    if rpm is None:
        raise ValueError("no finite rpm, allowed: at least one value")
    steps = _samples(trace, "valve_steps")
    first_s = float(np.asarray(trace.time_s, dtype=np.float64)[0])
    begin_s = 0.0 if hasattr(trace, "resampled") else first_s - SAMPLE_s  # of a log one slot before
    wanted = getattr(trace, "windows", None) if windows is None else windows
    whole = ("hunting", begin_s, begin_s + rpm.size * SAMPLE_s)
    table = windows_table([whole] if wanted is None else wanted)
    held = _samples(trace, "target_rpm")
    if target is not None:
        held = np.full(rpm.size, target, dtype=np.float32)
    if held is not None:
        table = _target_table(table, held, begin_s)
    table[:, 1:3] -= begin_s
    stalled_s = getattr(trace, "stalled_s", None)
    stalled_s = math.nan if stalled_s is None else float(stalled_s)
    out = _reduced(rpm, steps, held, table, stalled_at(stalled_s, begin_s), floor_rpm)
    out[COLUMN["stalled_s"]] = stalled_s
    if held is None:
        out[[i for i, one in enumerate(MEASURES) if one.needs_target]] = math.nan
    return Measures(*out.tolist())


def measure_runs(
    rpm: Samples, steps: Samples, windows: Windows, target_rpm: ArrayLike, stalled_at: ArrayLike = -1,
    floor_rpm: ArrayLike = 0.0, dt_s: float = SAMPLE_s,
) -> Floats:  # fmt: skip
    """Measure a batch of runs of one scenario.

    Parameters
    ----------
    rpm, steps, windows : ndarray of float32, ndarray of float32, iterable
        Shape (runs, n): measured rpm and commanded steps at the end of each slot; as for ``measure``, from
        the beginning of the run [rpm, steps].
    target_rpm, floor_rpm, stalled_at : array_like, shape () or (runs,)
        Target; ``hunting_rpm`` with the valve held, 0 where not known; first sample at which the engine no
        longer runs, -1 if it never stalls [rpm].
    dt_s : float
        Spacing of the samples, above 0 to 0.1 [s].

    Returns
    -------
    ndarray of float64, shape (runs, measures), places as in ``COLUMN``

    Raises
    ------
    ValueError
        If the shapes do not fit together or the spacing is out of range.
    """
    from tuning.measures.reduce import reduce_runs, scratch_size

    if rpm.ndim != 2 or rpm.shape != steps.shape:
        raise ValueError(f"rpm of shape {rpm.shape}, steps of {steps.shape}, allowed: (runs, n)")
    if not 0.0 < dt_s <= 0.1:
        raise ValueError(f"sampling time {dt_s} s, allowed: above 0 to 0.1 s")
    runs, n = rpm.shape
    out = np.empty((runs, len(MEASURES)))
    reduce_runs(
        np.ascontiguousarray(rpm, dtype=np.float32), np.ascontiguousarray(steps, dtype=np.float32),
        n, dt_s, np.array(np.broadcast_to(target_rpm, (runs,)), dtype=np.float64),
        np.array(np.broadcast_to(stalled_at, (runs,)), dtype=np.int64),
        np.array(np.broadcast_to(floor_rpm, (runs,)), dtype=np.float64), windows_table(windows),
        np.empty(scratch_size(n, dt_s)), out,
    )  # fmt: skip
    return out
