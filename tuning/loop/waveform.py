"""Periodic waveforms of the loop under a valve that climbs and descends a few positions, and whole updates.

For given whole stays the errors at the updates follow exactly from the plant's response to held commands:
over which range of the integral these stays come about, and how far the integral moves in one period.
Neighbouring stays that move it towards each other alternate for ever, in the proportion that moves it by
nothing on average.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tuning.loop.linear import Complexes, LinearIdle, Reals, sensor_response, travel_response
from tuning.loop.sampled_loop import SampledLaw, held_response

FINE_POINTS = 1024  # Points of a period in which cycles are solved.
RAMP_SHARE = 0.1  # Width of the ramp that stands for the deadband's jump, as a share of the deadband.


@dataclass(frozen=True)
class Loop:
    """Engine, controller and shell of one search."""

    plant: LinearIdle
    law: SampledLaw
    min_move_steps: int
    deadband_rpm: float

    @property
    def tread_rpm(self) -> float:
        """Steady rpm a minimum move is worth."""
        return self.min_move_steps * self.plant.rpm_per_step


@dataclass(frozen=True)
class Pattern:
    """When the treads are up, as shares of the period; the lowest is first and off at 1 = 0.

    ``required`` is the target's place above the lowest position, in treads.
    """

    period_s: float
    on: Reals
    off: Reals
    required: float


@dataclass(frozen=True)
class Waves:
    """One period of true speed about the target, error after deadband, wanted position."""

    rpm: Reals
    acting_rpm: Reals
    wanted_steps: Reals


def in_time(harmonics: Complexes, mean: Reals, points: int) -> Reals:
    """Periodic signal from its harmonics 1, 2, ... along the last axis and its mean [any]."""
    spectrum = np.zeros((*harmonics.shape[:-1], points // 2 + 1), dtype=complex)
    spectrum[..., 0] = mean
    spectrum[..., 1 : points // 2] = harmonics
    return np.asarray(np.fft.irfft(spectrum, points, axis=-1) * points)


def acting_share(error_rpm: Reals, deadband_rpm: float) -> Reals:
    """Share of the error that acts, 0 inside the deadband, its jump drawn as a steep ramp [-].

    A switch may fall on the jump itself; the ramp keeps such a cycle a solution of equations.
    """
    if deadband_rpm == 0.0:
        return np.ones(1)
    place = (np.abs(error_rpm) / deadband_rpm - 1.0) / RAMP_SHARE + 0.5
    return np.asarray(np.clip(place, 0.0, 1.0))


def waveforms(loop: Loop, period_s: Reals, on: Reals, off: Reals, required: float, points: int) -> Waves:
    """Waveforms over one period; time in shares of it, the last axis of the answer.

    ``period_s`` has shape (n, 1); ``on`` and ``off`` (1, k, treads); the waves (n, k, points). The time a
    crossing waits for the next update is counted by its mean, half an update, in the reading; the integral's
    backward rectangle gives that half update back to the integral alone.
    """
    plant, law = loop.plant, loop.law
    half_update = 0.5 * law.update_period_s
    order = np.arange(1, points // 2)
    s = 2j * math.pi * order / period_s[..., None]
    to_rpm = plant.response(s) * travel_response(s, plant.valve_step_s, loop.min_move_steps)
    to_reading = to_rpm * sensor_response(plant, s) * np.exp(-s * half_update)
    turn = -2j * math.pi * order[:, None]
    switches = np.exp(turn * on[..., None, :]) - np.exp(turn * off[..., None, :])
    valve = loop.min_move_steps * switches.sum(axis=-1) / (2j * math.pi * order)
    mean_error = loop.tread_rpm * (required - (off - on).sum(axis=-1)) + 0.0 * period_s
    rpm = in_time(to_rpm * valve, -mean_error, points)
    error = in_time(-to_reading * valve, mean_error, points)
    share = acting_share(error, loop.deadband_rpm)
    acting = error * share
    spectrum = np.fft.rfft(acting, axis=-1)[..., 1 : points // 2] / points
    growth = law.integral_steps_per_rpm_s * spectrum / s * np.exp(s * half_update)
    integral = in_time(growth, np.zeros(growth.shape[:-1]), points)
    wanted = law.gain_steps_per_rpm * acting + integral
    if law.derivative_steps_s_per_rpm > 0.0:
        rate = law.derivative_steps_s_per_rpm / law.update_period_s
        change = to_reading * valve * -np.expm1(-s * law.update_period_s)
        wanted = wanted - rate * share * in_time(change, np.zeros(change.shape[:-1]), points)
    return Waves(rpm, acting, wanted)


def at_share(wave: Reals, share: Reals) -> Reals:
    """Values of periodic waves (.., points) at shares (.., k) of the period, linear between."""
    points = wave.shape[-1]
    where = np.broadcast_to(share, (*wave.shape[:-1], share.shape[-1])) * points
    low = np.floor(where).astype(int)
    rest = where - low
    before = np.take_along_axis(wave, low % points, axis=-1)
    after = np.take_along_axis(wave, (low + 1) % points, axis=-1)
    return np.asarray(before * (1.0 - rest) + after * rest)


def drawn(loop: Loop, pattern: Pattern) -> Waves:
    """The fine waveforms of a pattern."""
    period = np.array([[pattern.period_s]])
    on, off = pattern.on[None, None], pattern.off[None, None]
    return waveforms(loop, period, on, off, pattern.required, FINE_POINTS)


MOST_UPDATES = 150  # Longer cycles are not recounted: there the smooth prediction is good enough.
LOW_TRIED = 3
HIGH_TRIED = 4  # Updates more and less than predicted that are tried for the stays.
TOUCHING_STEPS = 0.02  # Ranges of the integral nearer than this count as touching [steps].


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
