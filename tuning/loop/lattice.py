"""Whether the valve can come to rest: the lattice of positions against the deadband.

Moves of the minimum size m reach positions m S rpm apart (S rpm a step); feedback rests only where the error
lies within the deadband, 2 D wide. With r = 2 D/(m S) below 1 that is so with chance r, over a starting
place spread evenly. Larger moves throw the dice again but do not change the odds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

WIDEST_DEADBAND_rpm = 50.0
"""A deadband of more to either side is no idle that one would drive with, unless one move is worth more."""
LOOKS, CHANCE = 600.0, 0.05
"""Readings to rest for, a minute at ten a second, and the chance that one falls outside [-]."""


def largest_of(looks: float, chance: float) -> float:
    """Deviation that the largest of several normal readings stays below, both sides [-].

    (1 - 2 Q(z))^looks = 1 - chance. Readings closer than the engine's own memory are not independent: count
    one a quarter period of the slowest pole, say (common practice, no source).
    """
    from scipy.special import ndtri

    one_look = -math.expm1(math.log1p(-chance) / looks)
    return float(-ndtri(0.5 * one_look))


@dataclass(frozen=True)
class Treads:
    """Positions that minimum moves connect, and what speed lies between two of them."""

    move_steps: int  # minimum move m, 1 or more
    rpm_per_step: float  # steady worth of a step S, above 0

    @property
    def rpm(self) -> float:
        """What one move is worth [rpm]."""
        return self.move_steps * self.rpm_per_step

    def ratio(self, deadband_rpm: float) -> float:
        """Width of the deadband over what a move changes, r = 2 D/(m S) [-]; from 1 on it can rest."""
        return 2.0 * deadband_rpm / self.rpm

    def restless_chance(self, deadband_rpm: float) -> float:
        """Chance of resting nowhere: max(0, 1 - r), as the nearest error is even over +-m S/2 [-]."""
        return max(0.0, 1.0 - self.ratio(deadband_rpm))

    def smallest_deadband_rpm(
        self, scatter_rpm: float = 0.0, looks: float = LOOKS, chance: float = CHANCE
    ) -> float:
        """Smallest deadband half-width that lets the valve rest wherever it starts: m S/2 + z s.

        At worst the target lies midway between two positions, and the readings scatter about that. Source:
        geometry of the lattice; normal tail, z from ``largest_of``; derivation our own.

        Parameters
        ----------
        scatter_rpm, looks, chance : float
            Standard deviation s of the speed read with the valve held; independent readings to rest for, and
            the chance accepted that one of them falls outside [rpm, -, -].

        Returns
        -------
        float [rpm]
        """
        return 0.5 * self.rpm + scatter_rpm * largest_of(looks, chance)


def smallest_useful_move(rpm_per_step: float, scatter_rpm: float, readings: float = 1.0) -> int:
    """Smallest move worth a coil pulse: one that can be told from scatter.

    m S >= s/sqrt(readings): a smaller move changes speed by less than the decision that asked for it was
    uncertain by. Source: standard error of a mean; that one deviation is the border is common practice, no
    source.

    Parameters
    ----------
    rpm_per_step, scatter_rpm, readings : float
        Worth of a step, above 0; standard deviation of the speed read with the valve held; independent
        readings averaged before the next decision, 1 or more [rpm/step, rpm, -].

    Returns
    -------
    int
        1 or more [steps].
    """
    return max(1, math.ceil(scatter_rpm / math.sqrt(readings) / rpm_per_step - 1e-9))


def largest_resting_move(deadband_rpm: float, rpm_per_step: float, scatter_rpm: float = 0.0) -> int:
    """Largest minimum move with which a deadband lets the valve rest: ``smallest_deadband_rpm`` turned round.

    Half-width of the deadband, worth of a step, above 0, and deviation of the speed read with the valve held;
    gives 0 if no move is small enough [steps].
    """
    room_rpm = deadband_rpm - scatter_rpm * largest_of(LOOKS, CHANCE)
    return max(0, math.floor(2.0 * room_rpm / rpm_per_step + 1e-9))
