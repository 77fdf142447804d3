"""Limit cycles of the shell with all their harmonics.

A describing function keeps the first harmonic and misses slow square-like cycles; the closed
form for slow cycles misses quick ones.  Here the periodic answer of the linear plant to a valve
that climbs and descends a few positions is summed over all harmonics, sent through deadband and
PI law in the time domain, and the moments of the moves are solved from what a cycle must meet:
the error after the deadband has mean zero (else the integral would walk away), and at each move
the wanted position stands at that move's threshold.

A cycle over K + 1 positions is K treads, each of which is up from its switch on to its switch off;
the lowest tread switches off at time 0, the others within its stay.  Unknown are the period, K
moments on and K - 1 moments off; as many conditions stand against them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tuning.cycles import Cycle, check_shell, square_cycle
from tuning.describing import balanced_offset
from tuning.linear import Complexes, LinearIdle, Reals, sensor_response
from tuning.sampled_loop import SampledPI, travel_response
from tuning.staircase_cycles import staircase_cycles

COARSE_POINTS = 256
FINE_POINTS = 1024
PERIODS = 60
SHARES = 25
MOST_TREADS = 6
RAMP_SHARE = 0.1
"""Width of the ramp that stands for the deadband's jump, as a share of the deadband."""


@dataclass(frozen=True)
class _Loop:
    """Engine, controller and shell of one search."""

    plant: LinearIdle
    law: SampledPI
    min_move_steps: int
    deadband_rpm: float

    @property
    def tread_rpm(self) -> float:
        return self.min_move_steps * self.plant.rpm_per_step


@dataclass(frozen=True)
class _Pattern:
    """When the treads are up, as shares of the period; the lowest is first and off at 1 = 0.

    ``required`` is the target's place above the lowest position, in treads.
    """

    period_s: float
    on: Reals
    off: Reals
    required: float


@dataclass(frozen=True)
class _Waves:
    """One period of true speed about the target, error after deadband, wanted position."""

    rpm: Reals
    acting_rpm: Reals
    wanted_steps: Reals


def _in_time(harmonics: Complexes, mean: Reals, points: int) -> Reals:
    """Periodic signal from its harmonics 1, 2, ... along the last axis and its mean."""
    spectrum = np.zeros((*harmonics.shape[:-1], points // 2 + 1), dtype=complex)
    spectrum[..., 0] = mean
    spectrum[..., 1 : points // 2] = harmonics
    return np.asarray(np.fft.irfft(spectrum, points, axis=-1) * points)


def _acting(error_rpm: Reals, deadband_rpm: float) -> Reals:
    """Error after the deadband, its jump drawn as a steep ramp.

    A switch may fall on the jump itself (the kick of the gain carries the wanted position across
    its threshold); the ramp keeps such a cycle a solution of equations.
    """
    if deadband_rpm == 0.0:
        return error_rpm
    place = (np.abs(error_rpm) / deadband_rpm - 1.0) / RAMP_SHARE + 0.5
    return np.asarray(error_rpm * np.clip(place, 0.0, 1.0))


def _waves(
    loop: _Loop, period_s: Reals, on: Reals, off: Reals, required: float, points: int
) -> _Waves:
    """Waveforms over one period; time in shares of it, the last axis of the answer.

    ``period_s`` has shape (n, 1); ``on`` and ``off`` (1, k, treads); the waves (n, k, points).  The
    time a crossing waits for the next update is counted by its mean, half an update, in the
    reading; the integral's backward rectangle gives that half update back to the integral alone.
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
    rpm = _in_time(to_rpm * valve, -mean_error, points)
    error = _in_time(-to_reading * valve, mean_error, points)
    acting = _acting(error, loop.deadband_rpm)
    spectrum = np.fft.rfft(acting, axis=-1)[..., 1 : points // 2] / points
    growth = law.integral_steps_per_rpm_s * spectrum / s * np.exp(s * half_update)
    integral = _in_time(growth, np.zeros(growth.shape[:-1]), points)
    return _Waves(rpm, acting, law.gain_steps_per_rpm * acting + integral)


def _at_share(wave: Reals, share: Reals) -> Reals:
    """Values of periodic waves (.., points) at shares (.., k) of the period, linear between."""
    points = wave.shape[-1]
    where = np.broadcast_to(share, (*wave.shape[:-1], share.shape[-1])) * points
    low = np.floor(where).astype(int)
    rest = where - low
    before = np.take_along_axis(wave, low % points, axis=-1)
    after = np.take_along_axis(wave, (low + 1) % points, axis=-1)
    return np.asarray(before * (1.0 - rest) + after * rest)


def _one_tread_patterns(loop: _Loop, phase: float, periods: Reals) -> list[tuple[_Pattern, bool]]:
    """Rough cycles between two positions, and whether their travel grows with the period."""
    shares = np.linspace(0.02, 0.98, SHARES)
    on, off = shares[None, :, None], np.ones((1, SHARES, 1))
    waves = _waves(loop, periods[:, None], on, off, phase, COARSE_POINTS)
    balance = waves.acting_rpm.mean(axis=-1)
    up = _at_share(waves.wanted_steps, on)[..., 0]
    travel = up - waves.wanted_steps[..., 0] - (loop.min_move_steps - 1)
    best = np.full(periods.size, np.nan)
    excess = np.full(periods.size, np.nan)
    for i in range(periods.size):
        flips = np.flatnonzero((balance[i, :-1] < 0.0) & (balance[i, 1:] >= 0.0))
        if flips.size:
            k = int(flips[0])
            part = -balance[i, k] / (balance[i, k + 1] - balance[i, k])
            best[i] = shares[k] + part * (shares[k + 1] - shares[k])
            excess[i] = travel[i, k] + part * (travel[i, k + 1] - travel[i, k])
    found = []
    for i in np.flatnonzero(excess[:-1] * excess[1:] < 0.0):
        part = -excess[i] / (excess[i + 1] - excess[i])
        period = math.exp(math.log(periods[i]) + part * math.log(periods[i + 1] / periods[i]))
        share = np.array([best[i] + part * (best[i + 1] - best[i])])
        pattern = _Pattern(period, share, np.ones(1), phase)
        found.append((pattern, bool(excess[i + 1] > excess[i])))
    return found


def _solved(loop: _Loop, pattern: _Pattern) -> _Pattern | None:
    """The moments of the moves solved on fine waveforms; None where that does not converge."""
    from scipy.optimize import root

    treads = pattern.on.size
    level = loop.min_move_steps * np.arange(treads)

    def unpack(x: Reals) -> tuple[float, Reals, Reals]:
        period = math.exp(min(max(float(x[0]), -7.0), 9.0))
        return period, x[1 : treads + 1], np.append(1.0, x[treads + 1 :])

    def residual(x: Reals) -> Reals:
        period, on, off = unpack(x)
        waves = _drawn(loop, _Pattern(period, on, off, pattern.required))
        wanted = waves.wanted_steps[0, 0]
        up = _at_share(wanted, on) - level - (loop.min_move_steps - 1) - wanted[0]
        down = _at_share(wanted, off[1:]) - level[1:] - wanted[0]
        balance = waves.acting_rpm.mean() / loop.tread_rpm
        return np.concatenate([[balance], up / loop.min_move_steps, down / loop.min_move_steps])

    start = np.concatenate([[math.log(pattern.period_s)], pattern.on, pattern.off[1:]])
    solved = root(residual, start, options={"eps": 1e-4, "xtol": 1e-7, "maxfev": 60 * treads})
    period, on, off = unpack(solved.x)
    close = np.max(np.abs(residual(solved.x))) < 2e-3
    if not close or np.any(on <= 0.0) or np.any(off <= on) or np.any(off > 1.0):
        return None
    return _Pattern(period, on, off, pattern.required)


def _redrawn(loop: _Loop, pattern: _Pattern, wanted: Reals) -> _Pattern | None:
    """The pattern that the memory staircase makes of a solved wave; the same if it is a cycle.

    The wave is laid so that the lowest tread's switch off is at its first value; position p goes
    up at p m + m - 1 and down below (p - 1) m.  None if the staircase does not follow in a
    pattern of nested stays.
    """
    m = loop.min_move_steps
    position = 0
    on: dict[int, float] = {}
    off: dict[int, float] = {}
    for turn in range(2):
        on, off = {}, {}
        for k, height in enumerate(wanted - wanted[0]):
            while height >= position * m + m - 1 and (turn or k):
                on[position] = k / wanted.size
                position += 1
            while height < (position - 1) * m:
                position -= 1
                off[position] = k / wanted.size
    if not on or set(on) != set(off) or len(on) > MOST_TREADS:
        return None
    treads = sorted(on)
    origin = off[treads[0]]
    on_share = np.array([(on[i] - origin) % 1.0 for i in treads])
    off_share = np.array([1.0] + [(off[i] - origin) % 1.0 for i in treads[1:]])
    if np.any(off_share <= on_share):
        return None
    return _Pattern(pattern.period_s, on_share, off_share, pattern.required - treads[0])


def _sine_pattern(loop: _Loop, cycle: Cycle, phase: float) -> _Pattern | None:
    """When a sine of the first-harmonic balance switches the treads."""
    m, amplitude = loop.min_move_steps, cycle.wanted_amplitude_steps
    hysteresis = 0.5 * (m - 1)
    index = np.arange(-MOST_TREADS, MOST_TREADS + 1)
    centre = index * m - float(balanced_offset(amplitude, m, hysteresis, phase))
    crossed = amplitude > np.abs(centre) + hysteresis
    if not 0 < crossed.sum() <= MOST_TREADS:
        return None
    centre = centre[crossed] / amplitude
    reach = hysteresis / amplitude
    on = np.arcsin(centre + reach) / (2.0 * math.pi)
    off = 0.5 - np.arcsin(centre - reach) / (2.0 * math.pi)
    lead = 1.0 - off[0]
    return _Pattern(cycle.period_s, on + lead, off + lead, phase - float(index[crossed][0]))


def _drawn(loop: _Loop, pattern: _Pattern) -> _Waves:
    """The fine waveforms of a pattern."""
    period = np.array([[pattern.period_s]])
    on, off = pattern.on[None, None], pattern.off[None, None]
    return _waves(loop, period, on, off, pattern.required, FINE_POINTS)


def _same_moves(one: _Pattern, other: _Pattern) -> bool:
    """Whether two patterns visit the same positions at about the same shares of the period."""
    if one.on.size != other.on.size or one.required != other.required:
        return False
    apart = np.abs(np.concatenate([one.on - other.on, one.off - other.off]))
    return bool(np.max(apart) < 0.05)


def _acts_both_ways(loop: _Loop, waves: _Waves) -> bool:
    """Whether the error leaves the deadband on both sides: a swing within it drives nothing."""
    edge = 0.5 * loop.deadband_rpm
    return bool(waves.acting_rpm.max() > edge and waves.acting_rpm.min() < -edge)


def _settled_on(loop: _Loop, pattern: _Pattern) -> tuple[_Pattern, _Waves] | None:
    """Solve a pattern, let the staircase redraw it, until both agree; None if they never do.

    A pattern that cannot be solved (the switch falls on a jump) stands as it is if the staircase
    redraws it within a twentieth of the period.
    """
    for _ in range(4):
        solved = _solved(loop, pattern) or pattern
        waves = _drawn(loop, solved)
        redrawn = _redrawn(loop, solved, waves.wanted_steps[0, 0])
        if redrawn is None and solved is not pattern:
            solved = pattern
            waves = _drawn(loop, solved)
            redrawn = _redrawn(loop, solved, waves.wanted_steps[0, 0])
        if redrawn is None:
            return None
        if _same_moves(redrawn, solved):
            return (solved, waves) if _acts_both_ways(loop, waves) else None
        pattern = redrawn
    return None


def _seeds(loop: _Loop, phase: float) -> list[tuple[_Pattern, bool]]:
    """Rough patterns to solve, each with a word on its stability."""
    plant, law, m = loop.plant, loop.law, loop.min_move_steps
    slow = square_cycle(plant, law, m, loop.deadband_rpm, phase)
    longest = 30.0 * (plant.residence_time_s + law.update_period_s)
    longest = max(longest, 1.5 * slow.period_s) if slow else longest
    shortest = 2.0 * max(law.update_period_s, plant.firing_interval_s, plant.delay_s)
    seeds = _one_tread_patterns(loop, phase, np.geomspace(shortest, longest, PERIODS))
    for cycle in staircase_cycles(plant, law, m, loop.deadband_rpm, phase):
        pattern = _sine_pattern(loop, cycle, phase)
        if pattern is not None:
            seeds.append((pattern, cycle.stable))
    return seeds


def waveform_cycles(
    plant: LinearIdle,
    law: SampledPI,
    min_move_steps: int,
    deadband_rpm: float = 0.0,
    phase: float = 0.5,
) -> list[Cycle]:
    """All cycles over a few neighbouring positions, quick and slow, with all harmonics.

    Parameters
    ----------
    plant, law : LinearIdle, SampledPI
        Engine and controller.
    min_move_steps : int
        Minimum move, 1 or more [steps].
    deadband_rpm : float
        Half-width, 0 or more [rpm].
    phase : float
        Where the target lies between two positions, above 0 and below 1 [-].

    Returns
    -------
    list of Cycle
        From quick to slow; empty if there is none.

    Raises
    ------
    ValueError
        If a setting is outside its range.

    Notes
    -----
    Exact for the linear plant but for the means taken over the moments of update and firing, and
    for moves larger than the minimum, which a quick wanted position can make between updates; a
    cycle of few updates locks to whole numbers of them, so expect half an update either way.
    Stable is told for two positions by the slope (a longer period must carry the wanted position
    further), for more by Loeb's criterion of the first-harmonic cycle it grew from.
    Source: the method of Tsypkin's locus for relay loops (Tsypkin, Relay Control Systems, 1984,
    from memory) with unequal stays, several relays, deadband and PI law added; derivation our own.
    """
    check_shell(min_move_steps, deadband_rpm, phase)
    if law.integral_steps_per_100rpm_s == 0.0:
        return []
    loop = _Loop(plant, law, min_move_steps, deadband_rpm)
    cycles: list[Cycle] = []
    for seed, stable in _seeds(loop, phase):
        settled = _settled_on(loop, seed)
        if settled is None:
            continue
        pattern, waves = settled
        high = float(np.mean(pattern.off - pattern.on)) * pattern.period_s
        cycle = Cycle(
            kind="waveform",
            period_s=pattern.period_s,
            low_s=pattern.period_s - high,
            high_s=high,
            peak_to_peak_rpm=float(np.ptp(waves.rpm)),
            wanted_amplitude_steps=0.5 * float(np.ptp(waves.wanted_steps)),
            stable=stable,
            positions=pattern.on.size + 1,
        )
        if not any(abs(cycle.period_s / other.period_s - 1.0) < 2e-3 for other in cycles):
            cycles.append(cycle)
    return sorted(cycles, key=lambda cycle: cycle.period_s)
