"""What is measured in each kind of window of a run, compiled: one function a kind, our definitions.

Each takes the samples of the run up to its end or stall, a window of it, and writes into the row of measures,
so that several windows of a kind give the worst or the mean of them.
"""

from __future__ import annotations

import numpy as np

from controllers.compiling import compiled
from tuning.measures.band import Floats, Samples, SHORTEST_BAND_s, band_pass
from tuning.measures.hunting_rule import FEWEST_HALF_SWINGS
from tuning.measures.row import PLACE, RUNNING_SHARE, SUSTAINED_s
from tuning.measures.scan import (
    extremes,
    larger,
    line_and_scatter,
    mean_before,
    outside_band,
    smaller,
    summed,
    whole_samples,
)
from tuning.measures.swings import regularity, root_mean_square, swings

TOLERANCE_rpm = 45.0  # Half-width of the target band, unless the held-valve floor is larger [rpm].
BEFORE_s = 2.0  # Stretch before a load whose mean is what dip and flare are told from [s].
FEWEST_BEFORE_s = 0.5  # With less than this before it, a load's dip and flare are told from the target [s].
ANSWER_s = 0.7  # Speed answers the valve so long after: about one filling of the manifold and one turn [s].
REACHED = 0.25  # A side is reached beyond this share of the valve's range from its middle [-].


@compiled
def hunting_swing(rpm: Samples, mean: float, slope: float, dt_s: float, scratch: Floats, out: Floats) -> None:
    """Measure the swing of a stretch of 5 s or more; keep all five measures if it is the largest so far.

    ``hunting_rpm`` is the mean swing of the band-passed signal (``swings``), ``hunting_rms_rpm`` its root
    mean square, ``hunting_period_s``, ``regularity`` and ``repeat_share`` those of its autocorrelation
    (``regularity``; the period from the swings where the autocorrelation has no whole interval).
    """
    if rpm.size * dt_s < SHORTEST_BAND_s - 0.5 * dt_s:
        return
    band, rest, spacing_s = band_pass(rpm, mean, slope, dt_s, scratch)
    rms = root_mean_square(band)
    swing, period = swings(band, rms)
    if swing <= out[PLACE.hunting_rpm]:
        return
    swing_s = period * spacing_s
    period_s, even, share = regularity(band, spacing_s, swing_s, rest)
    out[PLACE.hunting_rpm] = swing
    out[PLACE.hunting_rms_rpm] = rms
    out[PLACE.hunting_period_s] = period_s if period_s == period_s else swing_s
    out[PLACE.regularity] = even
    out[PLACE.repeat_share] = share


@compiled
def hunting_window(
    rpm: Samples, first: int, past: int, target_rpm: float, tolerance_rpm: float, dt_s: float, out: Floats
) -> tuple[int, float, float]:
    """Measure idling at rest, all but its swing; gives samples used, mean and slope [-, rpm, rpm a sample].

    ``scatter_rms_rpm``: root mean square of measured rpm about the window's least-squares line (largest
    window). ``mean_error_rpm``: mean of target less rpm, of the window where it is farthest from 0.
    ``mean_abs_error_rpm``: mean distance from target, all windows' samples together. ``outside_share``: share
    of those samples whose smoothed rpm is more than the tolerance from target. ``lowest_rpm``,
    ``highest_rpm``: of measured rpm. After a stall only the lowest (0) counts.
    """
    lowest, highest, _ = extremes(rpm, first, past)
    out[PLACE.lowest_rpm] = smaller(out[PLACE.lowest_rpm], lowest)
    last = min(past, rpm.size)
    if last <= first:
        return 0, 0.0, 0.0
    out[PLACE.highest_rpm] = larger(out[PLACE.highest_rpm], highest)
    mean, slope, scatter, distance = line_and_scatter(rpm[first:last], target_rpm)
    out[PLACE.scatter_rms_rpm] = larger(out[PLACE.scatter_rms_rpm], scatter)
    error = target_rpm - mean
    if not abs(error) <= abs(out[PLACE.mean_error_rpm]):
        out[PLACE.mean_error_rpm] = error
    total = distance * (last - first)
    out[PLACE.mean_abs_error_rpm] = summed(out[PLACE.mean_abs_error_rpm], total)
    count, _ = outside_band(rpm, first, last, target_rpm, tolerance_rpm, dt_s)
    out[PLACE.outside_share] = summed(out[PLACE.outside_share], np.float64(count))
    return last - first, mean, slope


@compiled
def load_window(
    rpm: Samples, first: int, past: int, target_rpm: float, tolerance_rpm: float, dt_s: float, out: Floats
) -> None:
    """Measure the answer to a load that comes or goes at the window's beginning.

    With the reference the mean of measured rpm over the 2 s before the window (the target where there is less
    than 0.5 s, or the engine has stalled): ``dip_rpm`` reference less the lowest measured rpm of the window,
    ``flare_rpm`` the highest less the reference, both at least 0, mean over windows; ``excursion_rpm`` mean
    of the larger of both; ``worst_dip_rpm``, ``worst_flare_rpm`` the largest of them.
    ``worst_below_target_rpm``: target less lowest, at least 0, largest. ``settle_s``: time from the window's
    beginning to the last sample whose smoothed rpm is more than the tolerance from target, 0 if none is, the
    window's length if the last one is; mean, and ``worst_settle_s`` the longest.
    """
    lowest, highest, _ = extremes(rpm, first, past)
    wanted, fewest = whole_samples(BEFORE_s, dt_s), whole_samples(FEWEST_BEFORE_s, dt_s)
    before = mean_before(rpm, first, wanted, fewest, target_rpm)
    dip, flare = max(0.0, before - lowest), max(0.0, highest - before)
    out[PLACE.lowest_rpm] = smaller(out[PLACE.lowest_rpm], lowest)
    out[PLACE.highest_rpm] = larger(out[PLACE.highest_rpm], highest)
    out[PLACE.dip_rpm] = summed(out[PLACE.dip_rpm], dip)
    out[PLACE.flare_rpm] = summed(out[PLACE.flare_rpm], flare)
    out[PLACE.excursion_rpm] = summed(out[PLACE.excursion_rpm], max(dip, flare))
    out[PLACE.worst_dip_rpm] = larger(out[PLACE.worst_dip_rpm], dip)
    out[PLACE.worst_flare_rpm] = larger(out[PLACE.worst_flare_rpm], flare)
    out[PLACE.worst_below_target_rpm] = larger(
        out[PLACE.worst_below_target_rpm], max(0.0, target_rpm - lowest)
    )
    _, past_last = outside_band(rpm, first, past, target_rpm, tolerance_rpm, dt_s)
    settle_s = (past_last - first) * dt_s
    out[PLACE.settle_s] = summed(out[PLACE.settle_s], settle_s)
    out[PLACE.worst_settle_s] = larger(out[PLACE.worst_settle_s], settle_s)


@compiled
def blip_window(
    rpm: Samples, first: int, past: int, target_rpm: float, tolerance_rpm: float, dt_s: float, out: Floats
) -> None:
    """Measure the return from a blip of the throttle within the window.

    ``blip_undershoot_rpm``: target less the lowest measured rpm after the window's highest (the top of the
    blip), at least 0; largest over windows. ``blip_settle_s``: time from the top to the last sample whose
    smoothed rpm is more than the tolerance from target; longest.
    """
    _, _, top = extremes(rpm, first, past)
    lowest, _, _ = extremes(rpm, top, past)
    out[PLACE.lowest_rpm] = smaller(out[PLACE.lowest_rpm], lowest)
    out[PLACE.blip_undershoot_rpm] = larger(out[PLACE.blip_undershoot_rpm], max(0.0, target_rpm - lowest))
    _, past_last = outside_band(rpm, top, past, target_rpm, tolerance_rpm, dt_s)
    out[PLACE.blip_settle_s] = larger(out[PLACE.blip_settle_s], max(0, past_last - top - 1) * dt_s)


@compiled
def first_running(rpm: Samples, first: int, past: int, least_rpm: float, count: int) -> int:
    """First sample from which rpm stays at or above a speed for a number of samples; ``past`` if none."""
    row = 0
    for k in range(first, min(past, rpm.size)):
        row = row + 1 if rpm[k] >= least_rpm else 0
        if row == count:
            return k + 1 - count
    return past


@compiled
def start_window(
    rpm: Samples, first: int, past: int, target_rpm: float, tolerance_rpm: float, dt_s: float, out: Floats
) -> None:
    """Measure a start that begins (key on, or cranking) at the window's beginning; the worst of several.

    ``start_s``: time to the first sample from which measured rpm stays at or above 0.6 of the target for 1 s;
    the window's length if there is none. From there on: ``start_flare_rpm`` highest less target, at least 0;
    ``start_lowest_rpm`` lowest after rpm first reached the target (from running on if it never does; 0 if it
    never ran). ``start_stable_s``: time from the window's beginning to the last sample whose smoothed rpm is
    more than the tolerance from target, ``START_TOLERANCE_rpm`` or more: while an engine warms up, its idle
    is not finer.
    """
    sustained = max(1, whole_samples(SUSTAINED_s, dt_s))
    running = first_running(rpm, first, past, RUNNING_SHARE * target_rpm, sustained)
    if running == past:
        out[PLACE.start_s] = larger(out[PLACE.start_s], (past - first) * dt_s)
        out[PLACE.start_lowest_rpm] = smaller(out[PLACE.start_lowest_rpm], 0.0)
    else:
        out[PLACE.start_s] = larger(out[PLACE.start_s], (running + 1 - first) * dt_s)
        reached = first_running(rpm, running, past, target_rpm, 1)
        lowest, highest, _ = extremes(rpm, running if reached == past else reached, past)
        out[PLACE.start_flare_rpm] = larger(out[PLACE.start_flare_rpm], max(0.0, highest - target_rpm))
        out[PLACE.start_lowest_rpm] = smaller(out[PLACE.start_lowest_rpm], lowest)
    _, past_last = outside_band(rpm, first, past, target_rpm, tolerance_rpm, dt_s)
    out[PLACE.start_stable_s] = larger(out[PLACE.start_stable_s], (past_last - first) * dt_s)


@compiled
def to_and_fro(rpm: Samples, steps: Samples, dt_s: float, out: Floats) -> None:
    """Count the valve's half swings and measure what speed does between its sides.

    ``half_swings``: how often the commanded position goes over from the lower quarter of its range in the
    window to the upper one, or back; ``valve_swing_rpm``: mean speed while it is above the middle of its
    range less mean speed while below, both taken ``ANSWER_s`` later. A valve that only follows a swing from
    outside opens while speed is low and leaves it near 0 or below. Of several windows the one with
    ``FEWEST_HALF_SWINGS`` and the largest swing. Source: our definition.
    """
    n = min(rpm.size, steps.size)
    if n < 2:
        return
    low, high = steps[0], steps[0]
    for k in range(n):
        low = min(low, steps[k])
        high = max(high, steps[k])
    middle, reach = 0.5 * (np.float64(low) + high), REACHED * (np.float64(high) - low)
    later = whole_samples(ANSWER_s, dt_s)
    side, turns, upper, lower, uppers, lowers = 0, 0, 0.0, 0.0, 0, 0
    for k in range(n - later):
        here = np.float64(steps[k]) - middle
        now = (1 if here >= reach else (-1 if here <= -reach else side)) if reach > 0.0 else 0
        if now != side and side != 0:
            turns += 1
        side = now
        if here > 0.0:
            upper += rpm[k + later]
            uppers += 1
        elif here < 0.0:
            lower += rpm[k + later]
            lowers += 1
    swing = upper / uppers - lower / lowers if uppers > 0 and lowers > 0 else 0.0
    kept, kept_swing = out[PLACE.half_swings], out[PLACE.valve_swing_rpm]
    enough = turns >= FEWEST_HALF_SWINGS
    if kept >= FEWEST_HALF_SWINGS and (not enough or swing <= kept_swing):
        return
    if kept == kept and not enough and swing <= kept_swing:
        return
    out[PLACE.half_swings], out[PLACE.valve_swing_rpm] = turns, swing
