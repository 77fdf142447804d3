"""From the samples of runs to rows of measures, compiled.

A run is rpm and commanded steps on an even grid: sample k is the value held at the end of slot k, so at (k +
1) dt after the beginning. A window from a to b holds the samples at times above a up to b.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from controllers.compiling import compiled, relation
from tuning.measures.band import Floats, MIRROR_s, Samples
from tuning.measures.row import BLIP, HUNTING, LOAD, PLACE, START, START_TOLERANCE_rpm
from tuning.measures.scan import whole_samples
from tuning.measures.swings import LAG_BLOCK
from tuning.measures.windows import (
    TOLERANCE_rpm,
    blip_window,
    hunting_swing,
    hunting_window,
    load_window,
    start_window,
    to_and_fro,
)


def scratch_size(n: int, dt_s: float) -> int:
    """Length of the scratch array: a window with its mirrored ends, its autocorrelation and a copy."""
    return n + 2 * math.ceil(MIRROR_s / dt_s) + 2 * (n + LAG_BLOCK)


@relation
def window_samples(windows: Floats, w: int, n: int, dt_s: float) -> tuple[int, int]:
    """First sample of a window and the one past its last, clipped to the run."""
    return max(0, whole_samples(windows[w, 1], dt_s)), min(n, whole_samples(windows[w, 2], dt_s))


@compiled
def turn_into_means(out: Floats, idling: int, loads: int) -> None:
    """Divide the sums in a row of measures by what they are sums of."""
    for column in (PLACE.mean_abs_error_rpm, PLACE.outside_share):
        out[column] /= idling
    for column in (PLACE.dip_rpm, PLACE.flare_rpm, PLACE.excursion_rpm, PLACE.settle_s):
        out[column] /= loads


@compiled
def valve_wear(steps: Samples, first: int, past: int) -> tuple[int, int, float]:
    """Count the valve's moves, reversals and steps within a window; moves within one sample count as one."""
    moves, reversals, total = 0, 0, 0.0
    last, way = steps[max(first - 1, 0)], 0.0
    for k in range(first, past):
        here = steps[k]
        if here != last:
            moves += 1
            move = np.float64(here) - last
            total += abs(move)
            if move * way < 0.0:
                reversals += 1
            last, way = here, move
    return moves, reversals, total


@compiled
def wear_of_run(steps: Samples, alive: int, n: int, dt_s: float, windows: Floats, out: Floats) -> None:
    """Moves, reversals and steps a minute over all windows of a run together, before a stall."""
    if steps.size < n:
        return
    count, moves, reversals, total = 0, 0, 0, 0.0
    for w in range(max(1, windows.shape[0])):
        first, past = 0, alive
        if windows.shape[0] > 0:
            first, past = window_samples(windows, w, alive, dt_s)
        if past <= first:
            continue
        here, back, moved = valve_wear(steps, first, past)
        count += past - first
        moves += here
        reversals += back
        total += moved
    if count == 0:
        return
    minutes = count * dt_s / 60.0
    out[PLACE.moves_per_min] = moves / minutes
    out[PLACE.reversals_per_min] = reversals / minutes
    out[PLACE.steps_per_min] = total / minutes


@compiled
def reduce_run(
    rpm: Samples, steps: Samples, n: int, dt_s: float, target_rpm: float, stalled_at: int,
    floor_rpm: float, windows: Floats, scratch: Floats, out: Floats,
) -> None:  # fmt: skip
    """Reduce one run to its row of measures; allocates nothing."""
    out[:] = np.nan
    out[PLACE.stalled] = 1.0 if stalled_at >= 0 else 0.0
    out[PLACE.stalled_s] = (stalled_at + 1) * dt_s if stalled_at >= 0 else np.nan
    live = rpm[: min(stalled_at, n)] if stalled_at >= 0 else rpm[:n]
    band = floor_rpm if floor_rpm > TOLERANCE_rpm else TOLERANCE_rpm
    idling, loads = 0, 0
    for w in range(windows.shape[0]):
        kind = int(windows[w, 0])
        first, past = window_samples(windows, w, n, dt_s)
        target = windows[w, 3] if windows.shape[1] > 3 else target_rpm
        if past <= first:
            continue
        if kind == HUNTING:
            used, mean, slope = hunting_window(live, first, past, target, band, dt_s, out)
            hunting_swing(live[first : first + used], mean, slope, dt_s, scratch, out)
            to_and_fro(live[first : first + used], steps[first:past], dt_s, out)
            idling += used
        elif kind == LOAD:
            load_window(live, first, past, target, band, dt_s, out)
            loads += 1
        elif kind == BLIP:
            blip_window(live, first, past, target, band, dt_s, out)
        elif kind == START:
            wide = band if band > START_TOLERANCE_rpm else START_TOLERANCE_rpm
            start_window(live, first, past, target, wide, dt_s, out)
    turn_into_means(out, idling, loads)
    wear_of_run(steps, live.size, n, dt_s, windows, out)


@compiled
def reduce_runs(
    rpm: Samples, steps: Samples, n: int, dt_s: float, target_rpm: Floats, stalled_at: NDArray[np.int64],
    floor_rpm: Floats, windows: Floats, scratch: Floats, out: Floats,
) -> None:  # fmt: skip
    """Reduce many runs of one scenario to rows of measures, without the interpreter's lock."""
    for run in range(rpm.shape[0]):
        reduce_run(
            rpm[run], steps[run], n, dt_s, target_rpm[run], stalled_at[run], floor_rpm[run],
            windows, scratch, out[run],
        )  # fmt: skip
