"""A log made ready to be judged: time rises throughout, and lone misreadings of speed are gone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tuning.log_events.states import with_rising_time
from tuning.logs import Log

QUICK_ENOUGH_Hz = 8.0
"""Recorded more slowly, one reading may well be a blip [Hz]."""
LONE_rpm, LONE_SHARE = 200.0, 0.2
"""A reading this far from the middle of five is a misreading: no flywheel does that in one row
[rpm, -]."""
MOST_SHARE = 0.1
"""Where more than this share of the readings is so, it is not a matter of lone misreadings [-]."""


def mended(log: Log) -> Log:
    """Make a log ready to be judged.

    Parameters
    ----------
    log : Log

    Returns
    -------
    Log
        The same log where there is nothing to mend, else a copy.

    Notes
    -----
    Source: Hampel's identifier with a fixed limit (running median of five).
    """
    log = with_rising_time(log)
    if log.rate_Hz < QUICK_ENOUGH_Hz or log.rpm.size < 5:
        return log
    around = np.lib.stride_tricks.sliding_window_view(np.pad(log.rpm, 2, mode="edge"), 5)
    middle = np.median(around, axis=1)
    lone = np.abs(log.rpm - middle) > np.maximum(LONE_rpm, LONE_SHARE * middle)
    count = int(np.count_nonzero(lone))
    if count == 0 or count > MOST_SHARE * log.rpm.size:
        return log
    return replace(log, rpm=np.where(lone, middle, log.rpm))
