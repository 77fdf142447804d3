"""What is measured in each kind of window of a run, compiled: one function a kind.

Each takes the samples of the run up to its end or stall, a window of it, and writes into the row of measures,
so that several windows of a kind give the worst or the mean of them.
"""

from __future__ import annotations

import numpy as np

from controllers.compiling import compiled
from tuning.measures.band import Floats, Samples, SHORTEST_BAND_s, band_pass
from tuning.measures.regularity import regularity
from tuning.measures.row import COLUMN, RUNNING_SHARE, SUSTAINED_s
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
from tuning.measures.swings import root_mean_square, swings

TOLERANCE_rpm = 45.0
"""Half-width of the target band, unless the held-valve floor is larger [rpm]."""
BEFORE_s = 2.0
"""Stretch before a load whose mean is what dip and flare are told from [s]."""
FEWEST_BEFORE_s = 0.5
"""With less than this before it, a load's dip and flare are told from the target [s]."""

_HUNTING_RPM = COLUMN["hunting_rpm"]
_HUNTING_RMS_RPM = COLUMN["hunting_rms_rpm"]
_HUNTING_PERIOD_S = COLUMN["hunting_period_s"]
_REGULARITY = COLUMN["regularity"]
_REPEAT_SHARE = COLUMN["repeat_share"]
_SCATTER_RMS_RPM = COLUMN["scatter_rms_rpm"]
_MEAN_ERROR_RPM = COLUMN["mean_error_rpm"]
_MEAN_ABS_ERROR_RPM = COLUMN["mean_abs_error_rpm"]
_OUTSIDE_SHARE = COLUMN["outside_share"]
_LOWEST_RPM = COLUMN["lowest_rpm"]
_HIGHEST_RPM = COLUMN["highest_rpm"]
_DIP_RPM = COLUMN["dip_rpm"]
_WORST_DIP_RPM = COLUMN["worst_dip_rpm"]
_FLARE_RPM = COLUMN["flare_rpm"]
_WORST_FLARE_RPM = COLUMN["worst_flare_rpm"]
_EXCURSION_RPM = COLUMN["excursion_rpm"]
_WORST_BELOW_TARGET_RPM = COLUMN["worst_below_target_rpm"]
_SETTLE_S = COLUMN["settle_s"]
_WORST_SETTLE_S = COLUMN["worst_settle_s"]
_BLIP_UNDERSHOOT_RPM = COLUMN["blip_undershoot_rpm"]
_BLIP_SETTLE_S = COLUMN["blip_settle_s"]
_START_S = COLUMN["start_s"]
_START_FLARE_RPM = COLUMN["start_flare_rpm"]
_START_LOWEST_RPM = COLUMN["start_lowest_rpm"]
_START_STABLE_S = COLUMN["start_stable_s"]


@compiled
def hunting_swing(rpm: Samples, mean: float, slope: float, dt_s: float, scratch: Floats, out: Floats) -> None:
    """Measure the swing of a stretch; keep it if it is the largest so far.

    ``hunting_rpm`` is the mean swing of the band-passed signal (``_swings.swings``), ``hunting_rms_rpm`` its
    root mean square, ``hunting_period_s``, ``regularity`` and ``repeat_share`` those of its autocorrelation
    (``_regularity.regularity``; the period from the swings where the autocorrelation has no whole interval).
    All five are those of the window with the largest ``hunting_rpm``; a stretch below 5 s is not measured.

    Source: our definitions; regularity after Thornhill, Huang & Zhang (2003), from memory.
    """
    if rpm.size * dt_s < SHORTEST_BAND_s - 0.5 * dt_s:
        return
    band, rest, spacing_s = band_pass(rpm, mean, slope, dt_s, scratch)
    rms = root_mean_square(band)
    swing, period = swings(band, rms)
    if swing <= out[_HUNTING_RPM]:
        return
    swing_s = period * spacing_s
    period_s, even, share = regularity(band, spacing_s, swing_s, rest)
    out[_HUNTING_RPM] = swing
    out[_HUNTING_RMS_RPM] = rms
    out[_HUNTING_PERIOD_S] = period_s if period_s == period_s else swing_s
    out[_REGULARITY] = even
    out[_REPEAT_SHARE] = share


@compiled
def hunting_window(
    rpm: Samples, first: int, past: int, target_rpm: float, tolerance_rpm: float, dt_s: float, out: Floats
) -> tuple[int, float, float]:
    """Measure idling at rest, all but its swing: scatter, error, share outside, extremes.

    ``scatter_rms_rpm``: root mean square of measured rpm about the window's least-squares line (largest
    window). ``mean_error_rpm``: mean of target less rpm, of the window where it is farthest from 0.
    ``mean_abs_error_rpm``: mean distance from target, all windows' samples together. ``outside_share``: share
    of those samples whose smoothed rpm is more than the tolerance from target. ``lowest_rpm``,
    ``highest_rpm``: of measured rpm. After a stall only the lowest (0) counts.

    Source: our definitions.
    """
    lowest, highest, _ = extremes(rpm, first, past)
    out[_LOWEST_RPM] = smaller(out[_LOWEST_RPM], lowest)
    last = min(past, rpm.size)
    if last <= first:
        return 0, 0.0, 0.0
    out[_HIGHEST_RPM] = larger(out[_HIGHEST_RPM], highest)
    mean, slope, scatter, distance = line_and_scatter(rpm[first:last], target_rpm)
    out[_SCATTER_RMS_RPM] = larger(out[_SCATTER_RMS_RPM], scatter)
    error = target_rpm - mean
    if not abs(error) <= abs(out[_MEAN_ERROR_RPM]):
        out[_MEAN_ERROR_RPM] = error
    total = distance * (last - first)
    out[_MEAN_ABS_ERROR_RPM] = summed(out[_MEAN_ABS_ERROR_RPM], total)
    count, _ = outside_band(rpm, first, last, target_rpm, tolerance_rpm, dt_s)
    out[_OUTSIDE_SHARE] = summed(out[_OUTSIDE_SHARE], np.float64(count))
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

    Source: our definitions.
    """
    lowest, highest, _ = extremes(rpm, first, past)
    wanted, fewest = whole_samples(BEFORE_s, dt_s), whole_samples(FEWEST_BEFORE_s, dt_s)
    before = mean_before(rpm, first, wanted, fewest, target_rpm)
    dip, flare = max(0.0, before - lowest), max(0.0, highest - before)
    out[_LOWEST_RPM] = smaller(out[_LOWEST_RPM], lowest)
    out[_HIGHEST_RPM] = larger(out[_HIGHEST_RPM], highest)
    out[_DIP_RPM] = summed(out[_DIP_RPM], dip)
    out[_FLARE_RPM] = summed(out[_FLARE_RPM], flare)
    out[_EXCURSION_RPM] = summed(out[_EXCURSION_RPM], max(dip, flare))
    out[_WORST_DIP_RPM] = larger(out[_WORST_DIP_RPM], dip)
    out[_WORST_FLARE_RPM] = larger(out[_WORST_FLARE_RPM], flare)
    out[_WORST_BELOW_TARGET_RPM] = larger(out[_WORST_BELOW_TARGET_RPM], max(0.0, target_rpm - lowest))
    _, past_last = outside_band(rpm, first, past, target_rpm, tolerance_rpm, dt_s)
    settle_s = (past_last - first) * dt_s
    out[_SETTLE_S] = summed(out[_SETTLE_S], settle_s)
    out[_WORST_SETTLE_S] = larger(out[_WORST_SETTLE_S], settle_s)


@compiled
def blip_window(
    rpm: Samples, first: int, past: int, target_rpm: float, tolerance_rpm: float, dt_s: float, out: Floats
) -> None:
    """Measure the return from a blip of the throttle within the window.

    ``blip_undershoot_rpm``: target less the lowest measured rpm after the window's highest (the top of the
    blip), at least 0; largest over windows. ``blip_settle_s``: time from the top to the last sample whose
    smoothed rpm is more than the tolerance from target; longest.

    Source: our definitions.
    """
    _, _, top = extremes(rpm, first, past)
    lowest, _, _ = extremes(rpm, top, past)
    out[_LOWEST_RPM] = smaller(out[_LOWEST_RPM], lowest)
    out[_BLIP_UNDERSHOOT_RPM] = larger(out[_BLIP_UNDERSHOOT_RPM], max(0.0, target_rpm - lowest))
    _, past_last = outside_band(rpm, top, past, target_rpm, tolerance_rpm, dt_s)
    out[_BLIP_SETTLE_S] = larger(out[_BLIP_SETTLE_S], max(0, past_last - top - 1) * dt_s)


@compiled
def first_running(rpm: Samples, first: int, past: int, least_rpm: float, count: int) -> int:
    """First sample from which rpm stays at or above a speed for a number of samples.

    Gives the sample; ``past`` if there is none [-].

    Source: definition.
    """
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
    """Measure a start that begins (key on, or cranking) at the window's beginning.

    ``start_s``: time to the first sample from which measured rpm stays at or above 0.6 of the target for 1 s;
    the window's length if there is none. From there on: ``start_flare_rpm`` highest less target, at least 0;
    ``start_lowest_rpm`` lowest after rpm first reached the target (from running on if it never does; 0 if it
    never ran). ``start_stable_s``: time from the window's beginning to the last sample whose smoothed rpm is
    more than the tolerance from target, ``START_TOLERANCE_rpm`` or more: while an engine warms up, its idle
    is not finer. Of several starts the worst of each.

    Source: our definitions.
    """
    sustained = max(1, whole_samples(SUSTAINED_s, dt_s))
    running = first_running(rpm, first, past, RUNNING_SHARE * target_rpm, sustained)
    if running == past:
        out[_START_S] = larger(out[_START_S], (past - first) * dt_s)
        out[_START_LOWEST_RPM] = smaller(out[_START_LOWEST_RPM], 0.0)
    else:
        out[_START_S] = larger(out[_START_S], (running + 1 - first) * dt_s)
        reached = first_running(rpm, running, past, target_rpm, 1)
        lowest, highest, _ = extremes(rpm, running if reached == past else reached, past)
        out[_START_FLARE_RPM] = larger(out[_START_FLARE_RPM], max(0.0, highest - target_rpm))
        out[_START_LOWEST_RPM] = smaller(out[_START_LOWEST_RPM], lowest)
    _, past_last = outside_band(rpm, first, past, target_rpm, tolerance_rpm, dt_s)
    out[_START_STABLE_S] = larger(out[_START_STABLE_S], (past_last - first) * dt_s)
