"""Whether the valve can come to rest: the lattice of positions against the deadband.

From where the valve is told to be, moves of the minimum size reach positions k m away, spaced
m S rpm apart (S rpm a step).  Feedback rests only where the error lies within the deadband, a
window 2 D wide.  With

    r = 2 D / (m S)

a window narrower than the spacing (r < 1) holds a position with chance r and none with chance
1 - r, over a starting place spread evenly; with r >= 1 it always holds one.  Moves larger than the
minimum shift the lattice and throw the dice again, but do not change the odds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


def _check(min_move_steps: float, rpm_per_step: float, **others: float) -> None:
    if not min_move_steps >= 1:
        raise ValueError(f"min_move_steps: {min_move_steps}, allowed: 1 or more")
    if not (math.isfinite(rpm_per_step) and rpm_per_step > 0.0):
        raise ValueError(f"rpm_per_step: {rpm_per_step}, allowed: above 0")
    for name, value in others.items():
        if not (math.isfinite(value) and value >= 0.0):
            raise ValueError(f"{name}: {value}, allowed: 0 or more")


def resolution_ratio(deadband_rpm: float, min_move_steps: int, rpm_per_step: float) -> float:
    """Width of the deadband over what one minimum move changes.

    Parameters
    ----------
    deadband_rpm : float
        Half-width D, 0 or more [rpm].
    min_move_steps : int
        Minimum move m, 1 or more [steps].
    rpm_per_step : float
        Steady rpm a step is worth, above 0 [rpm/step].

    Returns
    -------
    float
        r = 2 D/(m S); at 1 and above a resting position always exists [-].

    Raises
    ------
    ValueError
        If a value is outside its range.

    Notes
    -----
    Source: derivation our own (geometry of the lattice).
    """
    _check(min_move_steps, rpm_per_step, deadband_rpm=deadband_rpm)
    return 2.0 * deadband_rpm / (min_move_steps * rpm_per_step)


def largest_of(looks: float, chance: float) -> float:
    """Deviation that the largest of several normal readings stays below, both sides [-].

    Gives deviation [standard deviations].

    (1 - 2 Q(z))^looks = 1 - chance.  Readings closer together than the engine's own memory are not
    independent: count one a quarter period of the slowest pole, say (common practice, no source).
    Source: normal distribution.
    """
    from scipy.special import ndtri

    if not looks >= 1.0:
        raise ValueError(f"looks: {looks}, allowed: 1 or more")
    if not 0.0 < chance < 1.0:
        raise ValueError(f"chance: {chance}, allowed: above 0 and below 1")
    one_look = -math.expm1(math.log1p(-chance) / looks)
    return float(-ndtri(0.5 * one_look))


def lattice_chance(
    deadband_rpm: float,
    min_move_steps: int,
    rpm_per_step: float,
    scatter_rpm: float = 0.0,
    looks: float = 1.0,
) -> float:
    """Chance, over the starting place, that no reachable position lets the feedback rest.

    Parameters
    ----------
    deadband_rpm : float
        Half-width, 0 or more [rpm].
    min_move_steps : int
        Minimum move, 1 or more [steps].
    rpm_per_step : float
        Steady rpm a step is worth, above 0 [rpm/step].
    scatter_rpm : float
        Standard deviation of the speed read with the valve held, 0 or more [rpm].
    looks : float
        Independent readings that must all lie within the deadband to call it rest, 1 or more [-].

    Returns
    -------
    float
        0 to 1; without scatter max(0, 1 - r) [-].

    Raises
    ------
    ValueError
        If a value is outside its range.

    Notes
    -----
    The nearest position's error u is even over +-m S/2.  Without scatter it rests if ``|u| <= D``.
    With scatter s it rests with chance (Phi((D - u)/s) - Phi((-D - u)/s))^looks, averaged over u.
    A single reading outside moves the valve only if gain and integral carry the wanted position
    to its threshold, so this is the chance of being drawn out of the deadband, an upper bound on
    the chance of a move.
    Source: geometry of the lattice; normal distribution; derivation our own.
    """
    _check(min_move_steps, rpm_per_step, deadband_rpm=deadband_rpm, scatter_rpm=scatter_rpm)
    if not looks >= 1.0:
        raise ValueError(f"looks: {looks}, allowed: 1 or more")
    ratio = resolution_ratio(deadband_rpm, min_move_steps, rpm_per_step)
    if scatter_rpm == 0.0:
        return max(0.0, 1.0 - ratio)
    from scipy.special import ndtr

    half = 0.5 * min_move_steps * rpm_per_step
    place, weight = np.polynomial.legendre.leggauss(200)
    u = 0.5 * half * (place + 1.0)
    inside = ndtr((deadband_rpm - u) / scatter_rpm) - ndtr((-deadband_rpm - u) / scatter_rpm)
    return float(1.0 - 0.5 * np.sum(weight * inside**looks))


def smallest_resting_deadband(
    min_move_steps: int,
    rpm_per_step: float,
    scatter_rpm: float = 0.0,
    looks: float = 600.0,
    chance: float = 0.05,
) -> float:
    """Smallest deadband half-width that lets the valve rest wherever it starts.

    Parameters
    ----------
    min_move_steps : int
        Minimum move, 1 or more [steps].
    rpm_per_step : float
        Steady rpm a step is worth, above 0 [rpm/step].
    scatter_rpm : float
        Standard deviation of the speed read with the valve held, 0 or more [rpm].
    looks : float
        Independent readings it should rest for; 600 is a minute at ten a second [-].
    chance : float
        Chance accepted that one of them falls outside, above 0 and below 1 [-].

    Returns
    -------
    float
        m S/2 + z s, with z from ``largest_of`` (z s is left out without scatter) [rpm].

    Raises
    ------
    ValueError
        If a value is outside its range.

    Notes
    -----
    At the worst starting place the target lies midway between two positions, m S/2 from either,
    and the readings scatter about that.  The other places need less: see ``lattice_chance``.
    Source: geometry of the lattice; normal tail; derivation our own.
    """
    _check(min_move_steps, rpm_per_step, scatter_rpm=scatter_rpm)
    margin = scatter_rpm * largest_of(looks, chance) if scatter_rpm > 0.0 else 0.0
    return 0.5 * min_move_steps * rpm_per_step + margin


def smallest_useful_move(
    rpm_per_step: float, scatter_rpm: float, readings: float = 1.0, deviations: float = 1.0
) -> int:
    """Smallest move worth a coil pulse: one that can be told from scatter.

    Parameters
    ----------
    rpm_per_step : float
        Steady rpm a step is worth, above 0 [rpm/step].
    scatter_rpm : float
        Standard deviation of the speed read with the valve held, 0 or more [rpm].
    readings : float
        Independent readings averaged before the next decision, 1 or more [-].
    deviations : float
        How many standard deviations of that mean count as seen, above 0 [-].

    Returns
    -------
    int
        1 or more [steps].

    Raises
    ------
    ValueError
        If a value is outside its range.

    Notes
    -----
    m S >= deviations s / sqrt(readings): a smaller move changes speed by less than the decision
    that asked for it was uncertain by.  Source: standard error of a mean; that one deviation is
    the border is common practice, no source.
    """
    _check(1, rpm_per_step, scatter_rpm=scatter_rpm)
    if not readings >= 1.0 or not deviations > 0.0:
        raise ValueError(
            f"readings, deviations: {readings}, {deviations}, allowed: 1 or more, and above 0"
        )
    seen_rpm = deviations * scatter_rpm / math.sqrt(readings)
    return max(1, math.ceil(seen_rpm / rpm_per_step - 1e-9))


def largest_resting_move(
    deadband_rpm: float, rpm_per_step: float, scatter_rpm: float = 0.0, looks: float = 600.0
) -> int:
    """Largest minimum move with which a given deadband still lets the valve rest.

    Parameters
    ----------
    deadband_rpm : float
        Half-width, 0 or more [rpm].
    rpm_per_step : float
        Steady rpm a step is worth, above 0 [rpm/step].
    scatter_rpm : float
        Standard deviation of the speed read with the valve held, 0 or more [rpm].
    looks : float
        Independent readings it should rest for, 1 or more [-].

    Returns
    -------
    int
        Whole steps; 0 if no move is small enough [steps].

    Raises
    ------
    ValueError
        If a value is outside its range.

    Notes
    -----
    ``smallest_resting_deadband`` turned round, at its usual chance of 5 %.
    Source: geometry of the lattice; normal tail; derivation our own.
    """
    _check(1, rpm_per_step, deadband_rpm=deadband_rpm, scatter_rpm=scatter_rpm)
    margin = scatter_rpm * largest_of(looks, 0.05) if scatter_rpm > 0.0 else 0.0
    return max(0, math.floor(2.0 * (deadband_rpm - margin) / rpm_per_step + 1e-9))


@dataclass(frozen=True)
class Lattice:
    """One of the m sets of positions that minimum moves connect.

    Parameters
    ----------
    offset_steps : int
        Its positions are offset + k m, 0 to m - 1 [steps].
    phase : float
        Where the target lies between two of them, 0 at the lower to 1 at the upper [-].
    rests : bool
        Whether one of them lies within the deadband.
    """

    offset_steps: int
    phase: float
    rests: bool


def lattices(
    required_steps: float, deadband_rpm: float, min_move_steps: int, rpm_per_step: float
) -> tuple[Lattice, ...]:
    """All sets of positions that the valve may find itself on, and which of them let it rest.

    A larger move may be any whole number of steps and so lead from one lattice to another.
    Source: geometry of the lattice; derivation our own.
    """
    ratio = resolution_ratio(deadband_rpm, min_move_steps, rpm_per_step)
    phases = [
        ((required_steps - offset) / min_move_steps) % 1.0 for offset in range(min_move_steps)
    ]
    return tuple(
        Lattice(offset, phase, min(phase, 1.0 - phase) <= 0.5 * ratio)
        for offset, phase in enumerate(phases)
    )
