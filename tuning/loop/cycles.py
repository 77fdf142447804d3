"""Limit cycles of the shell on the linear plant: how large, how slow, and whether they last.

Five predictions, from the coarsest to the finest:

* ``relay_cycles``: two neighbouring positions as a relay with hysteresis, by first harmonics;
* ``tuning.loop.staircase_cycles``: any number of positions, by first harmonics;
* ``square_cycle``: the slow cycle in which rpm settles between moves, in closed form;
* ``tuning.loop.waveform_cycles``: any number of positions with all harmonics;
* ``tuning.explanation.followed_cycles``: the car's controller on the linear engine, update by
  update.

Words: a tread is the minimum move m; S the rpm a step is worth; ``phase`` is where the target lies
between the two positions, 0 at the lower and 1 at the upper (their errors when settled are then
+phase m S and -(1 - phase) m S).  The wanted position x drives the command: it goes up from c to
c + m when x reaches c + m - 1/2 and back when x falls below c + 1/2 (round half up, then the
minimum move), so x must travel m - 1 between one switch and the other.

The relay.  For a relay of height b = m/2 and hysteresis c,

    -1/N = -(pi/(4 b)) (sqrt(A^2 - c^2) + j c),

a line of constant imaginary part.  So every frequency with Im L D = -pi c/(4 b) and Re L < 0 is a
cycle, with A = (4 b/pi) |L| D.  L is the exact sampled loop; D is the deadband's gain at the
error's first harmonic, which the relay's fixed height makes a function of frequency alone.  The
target is taken midway between the positions (phase 1/2).  With whole-step rounding the hysteresis
is (m - 1)/2, not m/2: for m = 1 there is none.

The slow cycle.  Let e_lo = phase m S and e_hi = (1 - phase) m S be the settled errors, both above
the deadband D.  Waiting at the lower position c, the wanted position is I + Kp e_lo and the
command goes up when it is c + m - 1/2; waiting at the upper one it is I - Kp e_hi and the command
goes down when it is c + 1/2.  Between the two switches the integral must therefore move by

    d = m - 1 - Kp (e_lo + e_hi) = m - 1 - Kp m S,

up at the lower and down at the upper position.  At the upper position the error first runs from
+e_lo to -e_hi; with a_up = integral of (e' + e_hi) dt over that transient (e' the error after the
deadband),

    Ki (e_hi high_s - a_up) = d,   and likewise   Ki (e_lo low_s - a_down) = d.

Without deadband a_up = a_down = m S td, td the residence time of plant, reading and valve travel,
whatever the shape, overshoot or delay of the transient, and

    T = (d/(Ki m S) + td) / (phase (1 - phase)),   4 d/(Ki m S) + 4 td  midway.

Here both areas are taken from the step response, so that what the deadband hides of the transient
is counted.  The rounding of the switch up to the next update adds half an update to td and the
integral's backward rectangle takes it off again.  The swing is m S, plus the step response's
overshoot on either side.  For large m and td = 0 this is the known 4 Ti (1/(Ko Kc) - 1)
(McMillan, 2007, from memory).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import ArrayLike

from tuning.loop.delays import Complexes, Reals, travel_response
from tuning.loop.describing import deadband_gain, staircase_gain
from tuning.loop.harmonic_balance import loeb_stable
from tuning.loop.linear import LinearIdle, sensor_response
from tuning.loop.sampled_loop import SampledPI, frequencies, loop_response


@dataclass(frozen=True)
class Cycle:
    """One predicted limit cycle.

    Parameters
    ----------
    kind : str
        Which prediction: "relay", "staircase", "square", "waveform" or "followed".
    period_s : float
        Period [s].
    low_s, high_s : float
        Time in the lower and in the upper half of the swing [s].
    peak_to_peak_rpm : float
        Swing of the true speed [rpm].
    wanted_amplitude_steps : float
        Half the swing of the wanted position (followed: of the commanded one) [steps].
    stable : bool
        Whether it attracts its neighbours.
    positions : int
        How many valve positions the swing of the wanted position visits [-].
    confirmed : bool
        Whether the staircase, driven by the predicted wave, was found to make these moves
        (waveform and followed cycles; first harmonics and closed form cannot tell).
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


def _square_swing_rpm(plant: LinearIdle, move_steps: int, omega: float) -> float:
    """Peak to peak speed under a symmetric square of the valve, all harmonics [rpm]."""
    odd = np.arange(1, 200, 2)
    s = 1j * odd * omega
    part = plant.response(s) * travel_response(s, plant.valve_step_s, move_steps) / odd
    angle = np.linspace(0.0, math.pi, 400)[:, None]
    wave = (part * np.exp(1j * angle * odd)).imag.sum(axis=1)
    return float(2.0 * np.max(np.abs(wave)) * 2.0 * move_steps / math.pi)


@dataclass(frozen=True)
class _Relay:
    """The loop seen by a relay of height m/2 and its hysteresis, target midway."""

    plant: LinearIdle
    law: SampledPI
    min_move_steps: int
    deadband_rpm: float
    hysteresis: float

    @property
    def line(self) -> float:
        """Imaginary part on which the relay's -1/N lies, less its sign."""
        return math.pi * self.hysteresis / (2.0 * self.min_move_steps)

    def response(self, omega: ArrayLike) -> Complexes:
        """Loop with the deadband's gain at the error that the relay's height makes."""
        loop = loop_response(self.plant, self.law, omega, self.min_move_steps)
        error = 2.0 * self.min_move_steps / math.pi * np.abs(loop / self.law.response(omega))
        return np.asarray(loop * deadband_gain(error, self.deadband_rpm))

    def above_line(self, omega: float) -> float:
        """How far the response lies above the line; 0 for a cycle."""
        return float(self.response(omega).imag) + self.line

    def defect(self, amplitude: float, omega: float) -> complex:
        """1 + N L; 0 for a cycle."""
        gain = complex(staircase_gain(amplitude, self.min_move_steps, self.hysteresis))
        return 1.0 + gain * complex(self.response(omega))


def relay_cycles(
    plant: LinearIdle,
    law: SampledPI,
    min_move_steps: int,
    deadband_rpm: float = 0.0,
    hysteresis_steps: float | None = None,
) -> list[Cycle]:
    """Cycles between two neighbouring positions by harmonic balance, all of them.

    Parameters
    ----------
    plant, law : LinearIdle, SampledPI
        Engine and controller.
    min_move_steps : int
        Minimum move m, 1 or more [steps].
    deadband_rpm : float
        Half-width, 0 or more [rpm].
    hysteresis_steps : float, optional
        Half-width of the hysteresis of the wanted position; (m - 1)/2 if not given [steps].

    Returns
    -------
    list of Cycle
        From slow to fast; empty if the balance has no solution.

    Raises
    ------
    ValueError
        If a setting is outside its range.

    Notes
    -----
    Derivation: the module's docstring.  Stability by ``loeb_stable``; the swing sums the square's
    harmonics.  Source: python-control's relay with hysteresis (Astrom & Murray, Feedback Systems,
    2nd ed., example 10.12).
    """
    check_shell(min_move_steps, deadband_rpm, 0.5)
    width = 0.5 * (min_move_steps - 1) if hysteresis_steps is None else hysteresis_steps
    relay = _Relay(plant, law, min_move_steps, deadband_rpm, width)
    grid = frequencies(plant, law, 600)
    side = np.sign(relay.response(grid).imag + relay.line)
    places = np.flatnonzero(side[:-1] * side[1:] < 0).tolist()
    found = [_relay_cycle(relay, float(grid[i]), float(grid[i + 1])) for i in places]
    return [cycle for cycle in found if cycle is not None]


def _relay_cycle(relay: _Relay, below: float, above: float) -> Cycle | None:
    """The cycle at the crossing between two frequencies; None if on the wrong side of 0."""
    from scipy.optimize import brentq

    omega = float(brentq(relay.above_line, below, above, rtol=1e-10))
    here = complex(relay.response(omega))
    if here.real >= 0.0:
        return None
    amplitude = 2.0 * relay.min_move_steps / math.pi * abs(here)
    period = 2.0 * math.pi / omega
    return Cycle(
        kind="relay",
        period_s=period,
        low_s=0.5 * period,
        high_s=0.5 * period,
        peak_to_peak_rpm=_square_swing_rpm(relay.plant, relay.min_move_steps, omega),
        wanted_amplitude_steps=amplitude,
        stable=loeb_stable(relay.defect, amplitude, omega),
        positions=2 if amplitude <= relay.min_move_steps + relay.hysteresis else 4,
    )


def square_cycle(
    plant: LinearIdle,
    law: SampledPI,
    min_move_steps: int,
    deadband_rpm: float = 0.0,
    phase: float = 0.5,
) -> Cycle | None:
    """The slow cycle between two positions, in which speed settles before the next move.

    Parameters
    ----------
    plant, law : LinearIdle, SampledPI
        Engine and controller.
    min_move_steps : int
        Minimum move m, 1 or more [steps].
    deadband_rpm : float
        Half-width D, 0 or more [rpm].
    phase : float
        Where the target lies between the positions, above 0 and below 1 [-].

    Returns
    -------
    Cycle or None
        None if there is none: a position lies within the deadband, nothing integrates, or the gain
        alone carries the wanted position back (m - 1 <= Kp m S).

    Raises
    ------
    ValueError
        If a setting is outside its range.

    Notes
    -----
    Switches are assumed to come after the transient: trust it while low_s and high_s are some
    three residence times.  Source: derivation our own, in the module's docstring.
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

    Parameters
    ----------
    plant : LinearIdle
        The engine, stable with the valve still.
    move_steps : int
        Steps of the move, one after the other, 1 or more [steps].

    Returns
    -------
    time, true, reading : ndarray
        Shape (2049,): time until all has settled, true and read speed as shares of their end
        [s, -, -].

    Notes
    -----
    Half a period of the answer to a square wave slow enough to settle, all harmonics.
    Source: the exact response; derivation our own.
    """
    slowest = float(np.min(np.abs(plant.poles().real)))
    half = 12.0 / slowest + 4.0 * plant.residence_time_s + move_steps * plant.valve_step_s
    points = 4096
    odd = np.arange(1, points // 2, 2)
    s = 1j * math.pi * odd / half
    move = plant.response(s) * travel_response(s, plant.valve_step_s, move_steps)
    shapes = []
    for part in (move, move * sensor_response(plant, s)):
        spectrum = np.zeros(points // 2 + 1, dtype=complex)
        spectrum[odd] = -2j * part / (math.pi * odd) / plant.rpm_per_step
        wave = np.fft.irfft(spectrum, points) * points
        shapes.append(0.5 + 0.5 * wave[: points // 2 + 1])
    return np.linspace(0.0, half, points // 2 + 1), shapes[0], shapes[1]
