"""The slow limit cycle of the shell in closed form, and what any predicted cycle is told by.

Two predictions, both from the linear engine and the settings alone: ``square_cycle`` here, the formula in
which rpm settles between moves, and ``tuning.loop.waveform_cycles``, any number of positions with all
harmonics.

Words: a tread is the minimum move m; S the rpm a step is worth; ``phase`` is where the target lies between
the two positions, 0 at the lower and 1 at the upper (their errors when settled are then +phase m S and -(1 -
phase) m S). The wanted position x drives the command: it goes up from c to c + m when x reaches c + m - 1/2
and back when x falls below c + 1/2 (round half up, then the minimum move), so x must travel m - 1 between one
switch and the other.

The slow cycle. Let e_lo = phase m S and e_hi = (1 - phase) m S be the settled errors, both above the deadband
D. Waiting at the lower position c, the wanted position is I + Kp e_lo and the command goes up when it is c +
m - 1/2; waiting at the upper one it is I - Kp e_hi and the command goes down when it is c + 1/2. Between the
two switches the integral must therefore move by

    d = m - 1 - Kp (e_lo + e_hi) = m - 1 - Kp m S,

up at the lower and down at the upper position. At the upper position the error first runs from +e_lo to
-e_hi; with a_up = integral of (e' + e_hi) dt over that transient (e' the error after the deadband),

    Ki (e_hi high_s - a_up) = d,   and likewise   Ki (e_lo low_s - a_down) = d.

Without deadband a_up = a_down = m S td, td the residence time of plant, reading and valve travel, whatever
the shape, overshoot or delay of the transient, and

    T = (d/(Ki m S) + td) / (phase (1 - phase)),   4 d/(Ki m S) + 4 td  midway.

Here both areas are taken from the step response, so that what the deadband hides of the transient is counted.
The rounding of the switch up to the next update adds half an update to td and the integral's backward
rectangle takes it off again. The swing is m S, plus the step response's overshoot on either side. For large m
and td = 0 this is the known 4 Ti (1/(Ko Kc) - 1) (McMillan, 2007, from memory).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from tuning.loop.delays import Reals, travel_response
from tuning.loop.linear import LinearIdle, sensor_response
from tuning.loop.sampled_loop import SampledLaw


@dataclass(frozen=True)
class Cycle:
    """One predicted limit cycle.

    Parameters
    ----------
    kind : str
        Which prediction: "square" or "waveform".
    period_s : float
        Period [s].
    low_s, high_s : float
        Time in the lower and in the upper half of the swing [s].
    peak_to_peak_rpm : float
        Swing of the true speed [rpm].
    wanted_amplitude_steps : float
        Half the swing of the wanted position [steps].
    stable : bool
        Whether it attracts its neighbours.
    positions : int
        How many valve positions the swing of the wanted position visits [-].
    confirmed : bool
        Whether the staircase, driven by the predicted wave, was found to make these moves (the closed form
        cannot tell).
    """

    kind: str
    period_s: float
    low_s: float
    high_s: float
    peak_to_peak_rpm: float
    wanted_amplitude_steps: float
    stable: bool
    positions: int
    confirmed: bool = False

    def to_dict(self) -> dict[str, object]:
        """The values by name.

        Returns
        -------
        dict
            Field names to values.
        """
        return asdict(self)


def check_shell(min_move_steps: int, deadband_rpm: float, phase: float) -> None:
    """Refuse settings that no shell can have."""
    if min_move_steps < 1:
        raise ValueError(f"min_move_steps: {min_move_steps}, allowed: 1 or more")
    if not deadband_rpm >= 0.0:
        raise ValueError(f"deadband_rpm: {deadband_rpm}, allowed: 0 or more")
    if not 0.0 < phase < 1.0:
        raise ValueError(f"phase: {phase}, allowed: above 0 and below 1")


def square_cycle(
    plant: LinearIdle, law: SampledLaw, min_move_steps: int, deadband_rpm: float = 0.0, phase: float = 0.5
) -> Cycle | None:
    """The slow cycle between two positions, in which speed settles before the next move.

    Gives none if there is none: a position lies within the deadband, nothing integrates, or the gain alone
    carries the wanted position back (m - 1 <= Kp m S).

    Switches are assumed to come after the transient: trust it while low_s and high_s are some three residence
    times. Source: derivation our own, in the module's docstring.
    """
    check_shell(min_move_steps, deadband_rpm, phase)
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
        kind="square",
        period_s=low + high,
        low_s=low,
        high_s=high,
        peak_to_peak_rpm=tread_rpm * (1.0 + 2.0 * overshoot),
        wanted_amplitude_steps=0.5 * swing,
        stable=True,
        positions=2,
    )


def _transient_area(
    time: Reals, reading: Reals, start_rpm: float, end_rpm: float, deadband_rpm: float
) -> float:
    """Area between the acting error and its end while it runs from start to -end [rpm s]."""
    error = start_rpm - (start_rpm + end_rpm) * reading
    acting = np.where(np.abs(error) > deadband_rpm, error, 0.0)
    return float(np.trapezoid(acting + end_rpm, time))


def step_response(plant: LinearIdle, move_steps: int) -> tuple[Reals, Reals, Reals]:
    """Speed after one move of the valve, from its command on.

    Gives shape (2049,): time until all has settled, true and read speed as shares of their end [s, -, -].

    Half a period of the answer to a square wave slow enough to settle, all harmonics. Source: the exact
    response; derivation our own.
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
