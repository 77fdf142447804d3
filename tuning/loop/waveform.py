"""Periodic waveforms of the loop under a valve that climbs and descends a few positions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tuning.loop.linear import Complexes, LinearIdle, Reals, sensor_response, travel_response
from tuning.loop.sampled_loop import SampledLaw

FINE_POINTS = 1024
"""Points of a period in which cycles are solved."""
RAMP_SHARE = 0.1
"""Width of the ramp that stands for the deadband's jump, as a share of the deadband."""


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
