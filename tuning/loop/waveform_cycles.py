"""Limit cycles of the shell with all their harmonics, quick ones too.

The periodic answer of the linear plant to a valve that climbs and descends a few positions goes through
deadband and law in the time domain; the moments of the moves are solved from what a cycle must meet: the
acting error has mean zero, and at each move the wanted position stands at that move's threshold. A cycle over
K + 1 positions is K treads, the lowest of which switches off at time 0: the period, K moments on and K - 1
off against as many conditions.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from controllers import law_of
from sim import Car
from tuning.loop.cycles import Cycle, square_cycle
from tuning.loop.linear import LinearIdle, Reals
from tuning.loop.point import IdlePoint, with_rpm_per_step
from tuning.loop.sampled_loop import SampledLaw, linear_law, resting_deadband_rpm, tread_steps
from tuning.loop.waveform import Loop, Pattern, Waves, at_share, drawn, waveforms, whole_updates

COARSE_POINTS, PERIODS, SHARES = 256, 60, 25
"""Rough cycles: points of a period, periods from the shortest on, shares of the lower stay in each."""
MOST_TREADS = 6  # Cycles over more positions than this and one are not followed.
EDGE = 1.0e-3  # A target nearer than this to a position counts as this far from it [-].


def _one_tread_patterns(loop: Loop, phase: float, periods: Reals) -> list[tuple[Pattern, bool]]:
    """Rough cycles between two positions, and whether their travel grows with the period."""
    shares = np.linspace(0.02, 0.98, SHARES)
    on, off = shares[None, :, None], np.ones((1, SHARES, 1))
    waves = waveforms(loop, periods[:, None], on, off, phase, COARSE_POINTS)
    balance = waves.acting_rpm.mean(axis=-1)
    up = at_share(waves.wanted_steps, on)[..., 0]
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
    for i in np.flatnonzero(excess[:-1] * excess[1:] < 0.0).tolist():
        part = -excess[i] / (excess[i + 1] - excess[i])
        period = math.exp(math.log(periods[i]) + part * math.log(periods[i + 1] / periods[i]))
        share = np.array([best[i] + part * (best[i + 1] - best[i])])
        pattern = Pattern(period, share, np.ones(1), phase)
        found.append((pattern, bool(excess[i + 1] > excess[i])))
    return found


def _solved(loop: Loop, pattern: Pattern) -> Pattern | None:
    """The moments of the moves solved on fine waveforms; None where that does not converge."""
    from scipy.optimize import root

    treads = pattern.on.size
    level = loop.min_move_steps * np.arange(treads)

    def unpack(x: Reals) -> tuple[float, Reals, Reals]:
        period = math.exp(min(max(float(x[0]), -7.0), 9.0))
        return period, x[1 : treads + 1], np.append(1.0, x[treads + 1 :])

    def residual(x: Reals) -> Reals:
        period, on, off = unpack(x)
        waves = drawn(loop, Pattern(period, on, off, pattern.required))
        wanted = waves.wanted_steps[0, 0]
        up = at_share(wanted, on) - level - (loop.min_move_steps - 1) - wanted[0]
        down = at_share(wanted, off[1:]) - level[1:] - wanted[0]
        balance = waves.acting_rpm.mean() / loop.tread_rpm
        return np.concatenate([[balance], up / loop.min_move_steps, down / loop.min_move_steps])

    start = np.concatenate([[math.log(pattern.period_s)], pattern.on, pattern.off[1:]])
    options: Any = {"eps": 1e-4, "xtol": 1e-7, "maxfev": 60 * treads}
    solved = root(residual, start, options=options)
    period, on, off = unpack(solved.x)
    close = np.max(np.abs(residual(solved.x))) < 2e-3
    if not close or np.any(on <= 0.0) or np.any(off <= on) or np.any(off > 1.0):
        return None
    return Pattern(period, on, off, pattern.required)


def _redrawn(loop: Loop, pattern: Pattern, wanted: Reals) -> Pattern | None:
    """The pattern that the memory staircase makes of a solved wave; None if it is none of nested stays.

    The lowest tread switches off at its first value; p goes up at p m + m - 1, down below (p - 1) m.
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
    return Pattern(pattern.period_s, on_share, off_share, pattern.required - treads[0])


def _same_moves(one: Pattern, other: Pattern) -> bool:
    """Whether two patterns visit the same positions at about the same shares of the period."""
    if one.on.size != other.on.size or one.required != other.required:
        return False
    apart = np.abs(np.concatenate([one.on - other.on, one.off - other.off]))
    return bool(np.max(apart) < 0.05)


def _acts_both_ways(loop: Loop, waves: Waves) -> bool:
    """Whether the error leaves the deadband on both sides: a swing within it drives nothing."""
    edge = 0.5 * loop.deadband_rpm
    return bool(waves.acting_rpm.max() > edge and waves.acting_rpm.min() < -edge)


def _settled_on(loop: Loop, pattern: Pattern) -> tuple[Pattern, Waves] | None:
    """Solve a pattern, let the staircase redraw it, until both agree; None if they never do.

    One that cannot be solved (the switch falls on a jump) stands if the staircase redraws it within a
    twentieth of the period.
    """
    for _ in range(4):
        solved = _solved(loop, pattern) or pattern
        waves = drawn(loop, solved)
        redrawn = _redrawn(loop, solved, waves.wanted_steps[0, 0])
        if redrawn is None and solved is not pattern:
            solved = pattern
            waves = drawn(loop, solved)
            redrawn = _redrawn(loop, solved, waves.wanted_steps[0, 0])
        if redrawn is None:
            return None
        if _same_moves(redrawn, solved):
            return (solved, waves) if _acts_both_ways(loop, waves) else None
        pattern = redrawn
    return None


def _seeds(loop: Loop, phase: float) -> list[tuple[Pattern, bool]]:
    """Rough patterns to solve, each with a word on its stability."""
    plant, law, m = loop.plant, loop.law, loop.min_move_steps
    slow = square_cycle(plant, law, m, loop.deadband_rpm, phase)
    longest = 30.0 * (plant.residence_time_s + law.update_period_s)
    longest = max(longest, 1.5 * slow.period_s) if slow else longest
    shortest = 2.0 * max(law.update_period_s, plant.firing_interval_s, plant.delay_s)
    return _one_tread_patterns(loop, phase, np.geomspace(shortest, longest, PERIODS))


def predicted_cycles(
    plant: LinearIdle, law: SampledLaw, min_move_steps: int, deadband_rpm: float = 0.0, phase: float = 0.5
) -> list[Cycle]:
    """Stable cycles over a few neighbouring positions, quick to slow, with all harmonics.

    Exact for the linear plant but for the means taken over the moments of update and firing, and for moves
    larger than the minimum. Cycles of few updates lock to whole numbers of them: those over two positions are
    recounted so, for others expect half an update either way. Stable is told by the slope at the two-position
    cycle that it grew from: a longer period must carry the wanted position further. Unconfirmed ones (mostly
    chatter at the deadband's edge) are given only if no other is found.
    Source: the method of Tsypkin's locus (Relay Control Systems, 1984, from memory) with unequal stays,
    several relays, deadband and law added; derivation our own.
    """
    if law.integral_steps_per_100rpm_s == 0.0:
        return []
    loop = Loop(plant, law, min_move_steps, deadband_rpm)
    seeds = _seeds(loop, phase)
    cycles: list[Cycle] = []
    for seed, stable in seeds:
        settled = _settled_on(loop, seed)
        if settled is not None:
            _add(cycles, _told(loop, *settled, stable, confirmed=True))
    for seed, stable in seeds if not cycles else []:
        for pattern in (_solved(loop, seed), seed):
            if pattern is not None and _acts_both_ways(loop, waves := drawn(loop, pattern)):
                _add(cycles, _told(loop, pattern, waves, stable, confirmed=False))
                break
    return sorted((cycle for cycle in cycles if cycle.stable), key=lambda cycle: cycle.period_s)


def _add(cycles: list[Cycle], cycle: Cycle) -> None:
    """Add a cycle unless it is there already."""
    if not any(abs(cycle.period_s / other.period_s - 1.0) < 2e-3 for other in cycles):
        cycles.append(cycle)


def _told(loop: Loop, pattern: Pattern, waves: Waves, stable: bool, confirmed: bool) -> Cycle:
    """A solved pattern in the words of a cycle, two positions in whole updates."""
    high = float(np.mean(pattern.off - pattern.on)) * pattern.period_s
    low = pattern.period_s - high
    if confirmed and pattern.on.size == 1:
        low, high = whole_updates(loop, pattern.required, low, high) or (low, high)
    return Cycle(
        kind="waveform", period_s=low + high, low_s=low, high_s=high,
        peak_to_peak_rpm=float(np.ptp(waves.rpm)),
        wanted_amplitude_steps=0.5 * float(np.ptp(waves.wanted_steps)), stable=stable,
        positions=pattern.on.size + 1, confirmed=confirmed,
    )  # fmt: skip


def cycles_at(
    car: Car, point: IdlePoint, rpm_per_step: float, phase: float
) -> tuple[list[Cycle], Cycle | None]:
    """Cycles that theory predicts for a car whose target lies at a phase between two positions.

    Parameters
    ----------
    car, point, rpm_per_step, phase : Car, IdlePoint, float, float
        Mean worth of a step between the two positions, above 0; where the target lies between them, 0 at the
        lower and 1 at the upper [rpm/step, -].

    Returns
    -------
    cycles : list of Cycle
        Stable ones, quick to slow; none where feedback is off, the law has no gains of its own, or the
        engine does not hold its speed.
    square : Cycle or None
        The slow one in closed form.
    """
    law, move, band_rpm = linear_law(car), tread_steps(car), resting_deadband_rpm(car)
    if law is None or not law_of(car.feedback).has_gains or not point.plant.is_stable():
        return [], None
    plant = with_rpm_per_step(point.plant, rpm_per_step)
    inside = min(max(phase, EDGE), 1.0 - EDGE)
    square = square_cycle(plant, law, move, band_rpm, inside)
    return predicted_cycles(plant, law, move, band_rpm, inside), square
