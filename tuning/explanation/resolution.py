"""The resolution view: what a move is worth, and whether any position satisfies the controller."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim import Car
from tuning.explanation.ends import Phases, Reals
from tuning.loop import (
    IdlePoint,
    Treads,
    base_position,
    largest_resting_move,
    linear_law,
    resting_deadband_rpm,
    smallest_useful_move,
    tread_steps,
)
from tuning.notes import Told

SLOWEST_s = 60.0  # A cycle slower than this is creeping, not hunting [s].


@dataclass(frozen=True, eq=False)
class ResolutionView(Told):
    """Positions, what they are worth, and the deadband against them."""

    rpm: Reals  # shape (travel + 1,): settled speed at each position [rpm]
    rpm_per_step: Reals  # shape (travel,): from each position to the next
    needed_steps: float  # position needed at the target
    target_rpm: float
    move_steps: int  # distance of positions the valve goes between
    move_rpm: float  # what one such move is worth there
    deadband_rpm: float  # half-width within which the law rests
    ratio: float  # r = 2 deadband/(move rpm): at 1 and above a resting position always exists
    chance: float  # over the starting phase that none exists, from the true curve of speed over position
    chance_even: float  # the same from r alone, as if all steps were worth the same: max(0, 1 - r)
    scatter_rpm: float  # standard deviation of the speed read with the valve held
    deadband_in_scatters: float  # deadband in such standard deviations; below 3 to 4 the valve ticks
    smallest_deadband_rpm: float  # smallest half-width that rests from any phase, without and with scatter
    smallest_deadband_with_scatter_rpm: float
    smallest_useful_move_steps: int  # told from scatter; the largest with which this deadband rests, or 0
    largest_resting_move_steps: int


@dataclass(frozen=True)
class Bracket:
    """The two positions of a lattice between which the target lies."""

    low_steps: float  # the lower position
    rpm_per_step: float  # mean worth of a step between them
    phase: float  # where the target lies between them, 0 at the lower and 1 at the upper


def bracket(rpm: Reals, target_rpm: float, on_lattice: float, move_steps: int) -> Bracket | None:
    """The positions of a lattice either side of the target, none where it is beyond the ends."""
    places = np.arange(int(on_lattice) % move_steps, rpm.size, move_steps)
    above = int(np.argmax(rpm[places] > target_rpm))
    if above == 0:
        return None
    low, high = rpm[places[above - 1]], rpm[places[above]]
    return Bracket(
        low_steps=float(places[above - 1]),
        rpm_per_step=float(high - low) / move_steps,
        phase=float((target_rpm - low) / (high - low)),
    )


def resting_exists(
    rpm: Reals, target_rpm: float, deadband_rpm: float, on_lattice: float, move_steps: int
) -> bool:
    """Whether a lattice holds a position within the deadband."""
    places = np.arange(int(on_lattice) % move_steps, rpm.size, move_steps)
    return bool(np.any(np.abs(rpm[places] - target_rpm) <= deadband_rpm))


def creeping_period_s(car: Car, place: Bracket) -> float:
    """Period of a cycle so slow that the engine follows at once; 0 where the gain alone swings, or infinite.

    (m - 1 - Kp m S)/Ki times the sum of one over each settled error: ``tuning.loop.cycles.square_cycle``
    without its transients. Source: derivation our own.
    """
    law, move = linear_law(car), tread_steps(car)
    if law is None or law.integral_steps_per_rpm_s == 0.0:
        return float("inf")
    tread_rpm = move * place.rpm_per_step
    travel = move - 1.0 - law.gain_steps_per_rpm * tread_rpm
    below, above = place.phase * tread_rpm, (1.0 - place.phase) * tread_rpm
    if travel <= 0.0 or min(below, above) <= 0.0:
        return 0.0
    return travel / law.integral_steps_per_rpm_s * (1.0 / below + 1.0 / above)


def hunting_expected(car: Car, point: IdlePoint, phases: Phases) -> list[bool]:
    """Whether no position within the deadband is reached by whole moves, nor slowly, phase by phase.

    Moves larger than the minimum shift the lattice; over the phases that changes no odds. Source:
    geometry, derivation our own; see ``tuning.loop.lattice``.
    """
    start, move = base_position(car, point.coolant_degC), tread_steps(car)
    band = resting_deadband_rpm(car)
    told = []
    for leak in phases:
        rpm = point.rpm_with_leak(leak)
        place = bracket(rpm, point.target_rpm, start, move)
        restless = not resting_exists(rpm, point.target_rpm, band, start, move)
        slow = place is not None and creeping_period_s(car, place) > SLOWEST_s
        told.append(restless and not slow)
    return told


def resolution_view(car: Car, point: IdlePoint, phases: Phases, scatter_rpm: float) -> ResolutionView:
    """What the valve's steps are worth, and whether the deadband leaves it a place to rest."""
    move, band = tread_steps(car), resting_deadband_rpm(car)
    worth = point.rpm_per_step
    treads, off = Treads(move, worth), not car.feedback.acts
    expected = [False] if off else hunting_expected(car, point, phases)
    return ResolutionView(
        rpm=point.rpm, rpm_per_step=np.diff(point.rpm), needed_steps=point.needed_steps,
        target_rpm=point.target_rpm, move_steps=move, move_rpm=treads.rpm, deadband_rpm=band,
        ratio=treads.ratio(band), chance=float(np.mean(expected)),
        chance_even=0.0 if off else treads.restless_chance(band), scatter_rpm=scatter_rpm,
        deadband_in_scatters=band / scatter_rpm if scatter_rpm > 0.0 else float("inf"),
        smallest_deadband_rpm=treads.smallest_deadband_rpm(),
        smallest_deadband_with_scatter_rpm=treads.smallest_deadband_rpm(scatter_rpm),
        smallest_useful_move_steps=smallest_useful_move(worth, scatter_rpm),
        largest_resting_move_steps=largest_resting_move(band, worth, scatter_rpm),
    )  # fmt: skip
