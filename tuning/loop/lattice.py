"""Whether the valve can come to rest: the lattice of positions against the deadband.

From where the valve is told to be, moves of the minimum size reach positions k m away, spaced m S rpm apart
(S rpm a step). Feedback rests only where the error lies within the deadband, a window 2 D wide. With

    r = 2 D / (m S)

a window narrower than the spacing (r < 1) holds a position with chance r and none with chance 1 - r, over a
starting place spread evenly; with r >= 1 it always holds one. Moves larger than the minimum shift the lattice
and throw the dice again, but do not change the odds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


def _check(min_move_steps: float, rpm_per_step: float, **others: float) -> None:
    if not min_move_steps >= 1:
        raise ValueError(f"min_move_steps: {min_move_steps}, allowed: 1 or more")
    if not (math.isfinite(rpm_per_step) and rpm_per_step > 0.0):
        raise ValueError(f"rpm_per_step: {rpm_per_step}, allowed: above 0")
    for name, value in others.items():
        if not (math.isfinite(value) and value >= 0.0):
            raise ValueError(f"{name}: {value}, allowed: 0 or more")


def largest_of(looks: float, chance: float) -> float:
    """Deviation that the largest of several normal readings stays below, both sides [-].

    Gives deviation [standard deviations].

    (1 - 2 Q(z))^looks = 1 - chance. Readings closer together than the engine's own memory are not
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


@dataclass(frozen=True)
class Treads:
    """Positions that minimum moves connect, and what speed lies between two of them.

    Parameters
    ----------
    move_steps : int
        Minimum move m, 1 or more [steps].
    rpm_per_step : float
        Steady rpm a step is worth, above 0 [rpm/step].

    Raises
    ------
    ValueError
        If a value is outside its range.
    """

    move_steps: int
    rpm_per_step: float

    def __post_init__(self) -> None:
        _check(self.move_steps, self.rpm_per_step)

    @property
    def rpm(self) -> float:
        """What one move is worth [rpm]."""
        return self.move_steps * self.rpm_per_step

    def ratio(self, deadband_rpm: float) -> float:
        """Width of the deadband over what one move changes.

        Source: derivation our own (geometry of the lattice).

        Parameters
        ----------
        deadband_rpm : float
            Half-width D, 0 or more [rpm].

        Returns
        -------
        float
            r = 2 D/(m S); at 1 and above a resting position always exists [-].
        """
        _check(self.move_steps, self.rpm_per_step, deadband_rpm=deadband_rpm)
        return 2.0 * deadband_rpm / self.rpm

    def restless_chance(self, deadband_rpm: float) -> float:
        """Chance, over the starting place, that no reachable position lets the feedback rest.

        Parameters
        ----------
        deadband_rpm : float
            Half-width, 0 or more [rpm].

        Returns
        -------
        float
            max(0, 1 - r): the nearest position's error is even over +-m S/2 [-].
        """
        return max(0.0, 1.0 - self.ratio(deadband_rpm))

    def smallest_deadband_rpm(
        self, scatter_rpm: float = 0.0, looks: float = 600.0, chance: float = 0.05
    ) -> float:
        """Smallest deadband half-width that lets the valve rest wherever it starts.

        At the worst starting place the target lies midway between two positions, m S/2 from either, and the
        readings scatter about that.
        Source: geometry of the lattice; normal tail; derivation our own.

        Parameters
        ----------
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
        """
        _check(self.move_steps, self.rpm_per_step, scatter_rpm=scatter_rpm)
        margin = scatter_rpm * largest_of(looks, chance) if scatter_rpm > 0.0 else 0.0
        return 0.5 * self.rpm + margin


def smallest_useful_move(
    rpm_per_step: float, scatter_rpm: float, readings: float = 1.0, deviations: float = 1.0
) -> int:
    """Smallest move worth a coil pulse: one that can be told from scatter.

    m S >= deviations s / sqrt(readings): a smaller move changes speed by less than the decision that asked
    for it was uncertain by. Source: standard error of a mean; that one deviation is the border is common
    practice, no source.

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
    """
    _check(1, rpm_per_step, scatter_rpm=scatter_rpm)
    if not readings >= 1.0 or not deviations > 0.0:
        raise ValueError(f"readings, deviations: {readings}, {deviations}, allowed: 1 or more, and above 0")
    seen_rpm = deviations * scatter_rpm / math.sqrt(readings)
    return max(1, math.ceil(seen_rpm / rpm_per_step - 1e-9))


def largest_resting_move(
    deadband_rpm: float, rpm_per_step: float, scatter_rpm: float = 0.0, looks: float = 600.0
) -> int:
    """Largest minimum move with which a given deadband still lets the valve rest.

    ``Treads.smallest_deadband_rpm`` turned round, at its usual chance of 5 %.
    Source: geometry of the lattice; normal tail; derivation our own.

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
    """
    _check(1, rpm_per_step, deadband_rpm=deadband_rpm, scatter_rpm=scatter_rpm)
    margin = scatter_rpm * largest_of(looks, 0.05) if scatter_rpm > 0.0 else 0.0
    return max(0, math.floor(2.0 * (deadband_rpm - margin) / rpm_per_step + 1e-9))
