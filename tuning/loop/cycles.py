"""The slow limit cycle of the shell in closed form, and what any predicted cycle is told by.

Words: a tread is the minimum move m; S the rpm a step is worth; ``phase`` is where the target lies between
the two positions, 0 at the lower and 1 at the upper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tuning.loop.linear import LinearIdle, Reals, sensor_response, travel_response
from tuning.loop.sampled_loop import SampledLaw
from tuning.notes import Told


@dataclass(frozen=True)
class Cycle(Told):
    """One predicted limit cycle."""

    kind: str  # which prediction, "square" or "waveform"
    period_s: float
    low_s: float  # time in the lower and in the upper half of the swing
    high_s: float
    peak_to_peak_rpm: float  # swing of the true speed, half the swing of the wanted position
    wanted_amplitude_steps: float
    stable: bool  # whether it attracts its neighbours
    positions: int  # of the valve, that the wanted one swings over
    confirmed: bool = False  # by the staircase driven by the predicted wave; the closed form cannot tell


def square_cycle(
    plant: LinearIdle, law: SampledLaw, min_move_steps: int, deadband_rpm: float = 0.0, phase: float = 0.5
) -> Cycle | None:
    """The slow cycle between two positions, in which speed settles before the next move.

    None where a position lies within the deadband, nothing integrates, or the gain alone carries the wanted
    position back (m - 1 <= Kp m S). Trust it while low_s and high_s are some three residence times.
    The command goes up from c to c + m when the wanted position reaches c + m - 1/2 and back when it falls
    below c + 1/2, so the integral must move by d = m - 1 - Kp m S at either position. Settled errors are
    e_lo = phase m S and -e_hi = -(1 - phase) m S; with a_up, a_down the areas between the error and its end
    over the transient, Ki (e_hi high_s - a_up) = d and Ki (e_lo low_s - a_down) = d. Without deadband both
    areas are m S td, td the residence time, whatever the transient's shape: T = (d/(Ki m S) + td)/(phase (1 -
    phase)). Waiting for an update adds half of one to td and the integral's backward rectangle takes it off
    again. For large m and td = 0 this is the known 4 Ti (1/(Ko Kc) - 1) (McMillan, 2007, from memory).
    Source: derivation our own.
    """
    tread_rpm = min_move_steps * plant.rpm_per_step
    e_low, e_high = phase * tread_rpm, (1.0 - phase) * tread_rpm
    integral = law.integral_steps_per_rpm_s
    travel = min_move_steps - 1.0 - law.gain_steps_per_rpm * tread_rpm
    if min(e_low, e_high) <= deadband_rpm or integral == 0.0 or travel <= 0.0:
        return None
    time, true, reading = step_response(plant, min_move_steps)
    area_up = _transient_area(time, reading, e_low, e_high, deadband_rpm)
    area_down = _transient_area(time, reading, e_high, e_low, deadband_rpm)
    high = (travel / integral + area_up) / e_high
    low = (travel / integral + area_down) / e_low
    overshoot = max(0.0, float(true.max()) - 1.0)
    swing = law.gain_steps_per_rpm * tread_rpm + min_move_steps - 1.0
    return Cycle(
        kind="square", period_s=low + high, low_s=low, high_s=high,
        peak_to_peak_rpm=tread_rpm * (1.0 + 2.0 * overshoot), wanted_amplitude_steps=0.5 * swing, stable=True,
        positions=2,
    )  # fmt: skip


def _transient_area(
    time: Reals, reading: Reals, start_rpm: float, end_rpm: float, deadband_rpm: float
) -> float:
    """Area between the acting error and its end while it runs from start to -end [rpm s]."""
    error = start_rpm - (start_rpm + end_rpm) * reading
    acting = np.where(np.abs(error) > deadband_rpm, error, 0.0)
    return float(np.trapezoid(acting + end_rpm, time))


def step_response(plant: LinearIdle, move_steps: int) -> tuple[Reals, Reals, Reals]:
    """Time, true and read speed after one move of the valve, as shares of their end [s, -, -].

    Half a period of the exact answer to a square wave slow enough to settle, all harmonics.
    """
    slowest = float(np.min(np.abs(plant.poles().real)))
    half = 12.0 / slowest + 4.0 * plant.residence_time_s + move_steps * plant.valve_step_s
    points = 4096
    odd = np.arange(1, points // 2, 2)
    s = 1j * np.pi * odd / half
    move = plant.response(s) * travel_response(s, plant.valve_step_s, move_steps)
    shapes = []
    for part in (move, move * sensor_response(plant, s)):
        spectrum = np.zeros(points // 2 + 1, dtype=complex)
        spectrum[odd] = -2j * part / (np.pi * odd) / plant.rpm_per_step
        wave = np.fft.irfft(spectrum, points) * points
        shapes.append(0.5 + 0.5 * wave[: points // 2 + 1])
    return np.linspace(0.0, half, points // 2 + 1), shapes[0], shapes[1]
