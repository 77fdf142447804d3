"""Cycles between two positions in whole updates: what sampling makes of a smooth prediction.

For given whole stays the errors at the updates follow exactly from the plant's response to held commands:
over which range of the integral these stays come about, and how far the integral moves in one period.
Neighbouring stays that move it towards each other alternate for ever, in the proportion that moves it by
nothing on average.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tuning.loop.linear import Complexes, Reals
from tuning.loop.sampled_loop import held_response
from tuning.loop.waveform import Loop

MOST_UPDATES = 150
"""Longer cycles are not recounted: there the smooth prediction is good enough."""
LOW_TRIED = 3
HIGH_TRIED = 4
"""Updates more and less than predicted that are tried for the stays."""
TOUCHING_STEPS = 0.02
"""Ranges of the integral nearer than this count as touching [steps]."""


@dataclass(frozen=True)
class _Stays:
    """Whole stays, how far the integral moves over them, and where they come about.

    ``least`` to ``most`` is the range of the upper switch's threshold less the integral at the move down
    [steps].
    """

    low: int
    high: int
    drift_steps: float
    least: float
    most: float

    @property
    def updates(self) -> int:
        return self.low + self.high


def _errors(loop: Loop, phase: float, low: int, high: int, held: Complexes) -> Reals:
    """Errors read at the updates of one period, the move down being update 0 [rpm]."""
    count = low + high
    position = np.zeros(count)
    position[low:] = loop.min_move_steps
    spectrum = np.fft.rfft(position)
    spectrum[0] = 0.0
    spectrum[1:] *= -held
    mean_error = loop.tread_rpm * (phase - high / count)
    return np.asarray(np.fft.irfft(spectrum, count) + mean_error)


def _stays(loop: Loop, phase: float, low: int, high: int, held: Complexes) -> _Stays:
    """What becomes of given whole stays."""
    error = _errors(loop, phase, low, high, held)
    outside = np.abs(error) > loop.deadband_rpm
    acting = np.where(outside, error, 0.0)
    leading = np.where(outside, error - np.roll(error, 1), 0.0)
    acting, leading = np.append(acting, acting[0]), np.append(leading, leading[0])
    growth = loop.law.integral_steps_per_rpm_s * loop.law.update_period_s
    integral = growth * np.append(0.0, np.cumsum(acting[1:]))
    wanted = loop.law.gain_steps_per_rpm * acting + integral
    wanted += loop.law.derivative_steps_s_per_rpm / loop.law.update_period_s * leading
    before_up = float(np.max(wanted[1:low], initial=-np.inf))
    before_down = float(np.min(wanted[low + 1 : -1], initial=np.inf))
    apart = loop.min_move_steps - 1
    least = max(before_up, float(wanted[-1]) + apart)
    most = min(float(wanted[low]), before_down + apart)
    return _Stays(low, high, float(integral[-1]), least, most)


def _attract(up: _Stays, down: _Stays) -> bool:
    """Whether stays that raise the integral and stays that lower it hand over to each other.

    A rising integral brings the threshold nearer, so the raising stays must lie above.
    """
    above = up.least > down.least - 1e-9 and up.most > down.most - 1e-9
    return above and down.most >= up.least - TOUCHING_STEPS


def whole_updates(loop: Loop, phase: float, low_s: float, high_s: float) -> tuple[float, float] | None:
    """Mean stays of the cycle in whole updates near a smooth prediction [s].

    None if no pair of stays was found to alternate for ever, or the cycle is too long to matter.
    """
    update = loop.law.update_period_s
    if low_s + high_s > MOST_UPDATES * update:
        return None
    middle_low, middle_high = round(low_s / update), round(high_s / update)
    held: dict[int, Complexes] = {}
    found: list[_Stays] = []
    for low in range(max(1, middle_low - LOW_TRIED), middle_low + LOW_TRIED + 1):
        for high in range(max(1, middle_high - HIGH_TRIED), middle_high + HIGH_TRIED + 1):
            count = low + high
            if count not in held:
                omega = 2.0 * math.pi * np.arange(1, count // 2 + 1) / (count * update)
                held[count] = held_response(loop.plant, update, omega, loop.min_move_steps, 6)
            stays = _stays(loop, phase, low, high, held[count])
            if stays.most > stays.least:
                found.append(stays)
    pairs = [
        (abs(up.low - down.low) + abs(up.high - down.high), _mean_stays(up, down, update))
        for up in found
        for down in found
        if up.drift_steps >= 0.0 > down.drift_steps and _attract(up, down)
    ]
    if not pairs:
        return None
    smooth = low_s + high_s
    low_mean, high_mean = min(pairs, key=lambda pair: (pair[0], abs(sum(pair[1]) - smooth)))[1]
    return (low_mean, high_mean) if abs((low_mean + high_mean) / smooth - 1.0) < 0.2 else None


def _mean_stays(up: _Stays, down: _Stays, update_s: float) -> tuple[float, float]:
    """Stays on average when the two alternate so that the integral stays [s]."""
    share = -down.drift_steps / (up.drift_steps - down.drift_steps)
    low = share * up.low + (1.0 - share) * down.low
    high = share * up.high + (1.0 - share) * down.high
    return low * update_s, high * update_s
