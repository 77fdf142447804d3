"""The limit-cycle view: the cycle that theory predicts beside the one that simulation finds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sim import Car
from tuning.cycles import Cycle, relay_cycles, square_cycle
from tuning.explain_ends import Ends
from tuning.explain_laws import SampledPID, linear_law, resting_deadband_rpm, tread_steps
from tuning.explain_linear import known
from tuning.explain_point import IdlePoint, with_rpm_per_step
from tuning.explain_resolution import Bracket, bracket
from tuning.explain_runs import Phases
from tuning.linear import LinearIdle
from tuning.sampled_loop import SampledPI
from tuning.staircase_cycles import staircase_cycles
from tuning.waveform_cycles import predicted_cycles

STARTS_rpm = (0.0, 150.0, -100.0)
"""Speeds above target at which runs start, to find end states that depend on it [rpm]."""
SLOW_TIMES = 15.0
"""A cycle is slow from this many times the time the engine takes to answer on [-]."""
EDGE_SHARE = 0.15
"""A settled error is at the edge of the deadband when it passes it by less of a move [-]."""
EDGE = 1.0e-3
"""A target nearer than this to a position counts as this far from it [-]."""


@dataclass(frozen=True)
class SeenCycle:
    """The cycle of one simulated run without scatter.

    Attributes
    ----------
    phase : float
        Where the target lies between the positions visited, 0 at the lower and 1 at the upper [-].
    rpm_per_step : float
        Mean worth of a step between them [rpm/step].
    period_s, swing_rpm : float
        Its period and swing peak to peak [s, rpm].
    low_steps, high_steps, largest_move_steps : float
        Lowest and highest position, largest single move [steps].
    row : int
        Its row among the runs.
    """

    phase: float
    rpm_per_step: float
    period_s: float
    swing_rpm: float
    low_steps: float
    high_steps: float
    largest_move_steps: float
    row: int


@dataclass(frozen=True)
class CycleView:
    """Predicted and simulated limit cycle, and whether several ends exist side by side.

    Attributes
    ----------
    phase : float
        Phase for which the cycle is predicted: that of the run shown, one half where none hunts
        [-].
    predicted : Cycle or None
        The prediction: all harmonics (quick and slow cycles), else the staircase's describing
        function; the closed form for slow cycles at the edge of the deadband, see ``at_the_edge``;
        None where theory finds no stable cycle or has no law for it.
    all_predicted : tuple of Cycle
        All stable cycles predicted at that phase, quick to slow.
    relay : tuple of Cycle
        What the relay with hysteresis says by its describing function.
    square : Cycle or None
        The slow square-like cycle in closed form.
    seen : SeenCycle or None
        The run that hunts whose target lies nearest to midway; None if none hunts.
    chance : float
        Share of simulated phases that hunt, started at the target [-].
    phases_with_two_ends : float
        Share of phases that hunt or rest depending on the speed they start from [-].
    predicted_chance : float
        Chance from the geometry of positions, see ``explain_resolution.hunting_expected`` [-].
    """

    phase: float
    predicted: Cycle | None
    all_predicted: tuple[Cycle, ...]
    relay: tuple[Cycle, ...]
    square: Cycle | None
    seen: SeenCycle | None
    chance: float
    phases_with_two_ends: float
    predicted_chance: float

    @property
    def period_ratio(self) -> float:
        """Predicted over simulated period, nan without both [-]."""
        if self.predicted is None or self.seen is None:
            return math.nan
        return self.predicted.period_s / self.seen.period_s

    @property
    def swing_ratio(self) -> float:
        """Predicted over simulated swing, nan without both [-]."""
        if self.predicted is None or self.seen is None:
            return math.nan
        return self.predicted.peak_to_peak_rpm / self.seen.swing_rpm

    def to_dict(self) -> dict[str, Any]:
        """The view by name.

        Returns
        -------
        dict
            Cycles as dicts.
        """
        return {
            "phase": self.phase,
            "predicted": self.predicted.to_dict() if self.predicted else None,
            "all_predicted": [cycle.to_dict() for cycle in self.all_predicted],
            "relay": [cycle.to_dict() for cycle in self.relay],
            "square": self.square.to_dict() if self.square else None,
            "seen": vars(self.seen) if self.seen else None,
            "chance": self.chance,
            "phases_with_two_ends": self.phases_with_two_ends,
            "predicted_chance": self.predicted_chance,
            "period_ratio": known(self.period_ratio),
            "swing_ratio": known(self.swing_ratio),
        }


def _place_of(car: Car, point: IdlePoint, leak_mm2: float, low_steps: float) -> Bracket | None:
    rpm = point.rpm_with_leak(leak_mm2)
    return bracket(rpm, point.target_rpm, low_steps, tread_steps(car))


def seen_cycles(car: Car, point: IdlePoint, phases: Phases, ends: Ends) -> list[SeenCycle]:
    """The cycles of the runs that hunt and have a period.

    Parameters
    ----------
    car : Car
        Its move.
    point : IdlePoint
        The idle point.
    phases : Phases
        Starting phases of the runs.
    ends : Ends
        How the runs ended, phase by phase, the starts of a phase side by side.

    Returns
    -------
    list of SeenCycle
        Those with the target midway between two positions first.
    """
    starts = ends.hunting.size // len(phases)
    found = []
    for row in np.flatnonzero(ends.hunting & np.isfinite(ends.period_s)).tolist():
        place = _place_of(car, point, phases.leak_mm2[row // starts], float(ends.low_steps[row]))
        if place is None:
            continue
        found.append(
            SeenCycle(
                phase=place.phase,
                rpm_per_step=place.rpm_per_step,
                period_s=float(ends.period_s[row]),
                swing_rpm=float(ends.swing_rpm[row]),
                low_steps=float(ends.low_steps[row]),
                high_steps=float(ends.high_steps[row]),
                largest_move_steps=float(ends.largest_move_steps[row]),
                row=row,
            )
        )
    return sorted(found, key=lambda cycle: abs(cycle.phase - 0.5))


def stable_cycles(
    plant: LinearIdle, law: SampledPI, move_steps: int, deadband_rpm: float, phase: float
) -> list[Cycle]:
    """The stable cycles that theory predicts.

    Parameters
    ----------
    plant : LinearIdle
        Engine.
    law : SampledPI
        Controller; with derivative action only first harmonics are at hand.
    move_steps : int
        Minimum move [steps].
    deadband_rpm : float
        Half-width [rpm].
    phase : float
        Where the target lies between two positions, 0 to 1 [-].

    Returns
    -------
    list of Cycle
        From quick to slow.
    """
    inside = min(max(phase, EDGE), 1.0 - EDGE)
    if isinstance(law, SampledPID) and law.derivative_steps_s_per_100rpm > 0.0:
        found = staircase_cycles(plant, law, move_steps, deadband_rpm, inside)
        return [cycle for cycle in found if cycle.stable]
    return predicted_cycles(plant, law, move_steps, deadband_rpm, inside)


def best_of(cycles: list[Cycle]) -> Cycle | None:
    """The prediction that is told where there are several.

    Parameters
    ----------
    cycles : list of Cycle
        Stable ones.

    Returns
    -------
    Cycle or None
        Of those the staircase was seen to follow, else of all, the slowest: it is the one with the
        fewest positions and the nearest to rest.
    """
    if not cycles:
        return None
    return max(cycles, key=lambda cycle: (cycle.confirmed, cycle.period_s))


def at_the_edge(
    square: Cycle | None, plant: LinearIdle, law: SampledPI, beyond_rpm: float, tread_rpm: float
) -> bool:
    """Whether the closed form for slow cycles is the better prediction.

    Parameters
    ----------
    square : Cycle or None
        The slow cycle in closed form.
    plant, law : LinearIdle, SampledPI
        Engine and controller.
    beyond_rpm : float
        By how much the smaller of the two settled errors passes the deadband [rpm].
    tread_rpm : float
        What a move is worth [rpm].

    Returns
    -------
    bool
        True for a cycle in which the engine has long settled when the valve moves, with an error
        that only just leaves the deadband.

    Notes
    -----
    There the moment of leaving, on which the waveform's period hangs, depends on tenths of an rpm;
    the closed form takes it as one delay.  On random cars it was the nearer of the two there, and
    the farther elsewhere; both bounds are fitted to simulation.  Source: our own runs.
    """
    if square is None:
        return False
    slow_s = SLOW_TIMES * (plant.residence_time_s + law.update_period_s)
    return square.period_s >= slow_s and beyond_rpm < EDGE_SHARE * tread_rpm


def cycle_view(
    car: Car, point: IdlePoint, phases: Phases, ends: Ends, predicted_chance: float
) -> CycleView:
    """Predict the limit cycle and put it beside the simulated one.

    Parameters
    ----------
    car : Car
        The car.
    point : IdlePoint
        Its warm idle.
    phases : Phases
        Starting phases.
    ends : Ends
        Ends of runs without scatter, phase by phase, ``STARTS_rpm`` side by side.
    predicted_chance : float
        Chance of hunting by theory [-].

    Returns
    -------
    CycleView
        Both.
    """
    by_start = ends.hunting.reshape(len(phases), -1)
    seen = next(iter(seen_cycles(car, point, phases, ends)), None)
    law, move, band = linear_law(car), tread_steps(car), resting_deadband_rpm(car)
    plant, phase = point.plant, 0.5
    if seen is not None:
        plant, phase = with_rpm_per_step(plant, seen.rpm_per_step), seen.phase
    relay: list[Cycle] = []
    square, stable = None, []
    if law is not None and car.feedback.law != "nudge" and plant.is_stable():
        inside = min(max(phase, EDGE), 1.0 - EDGE)
        relay = relay_cycles(plant, law, move, band)
        square = square_cycle(plant, law, move, band, inside)
        stable = stable_cycles(plant, law, move, band, phase)
        tread_rpm = move * plant.rpm_per_step
        beyond_rpm = min(inside, 1.0 - inside) * tread_rpm - band
        if square is not None and at_the_edge(square, plant, law, beyond_rpm, tread_rpm):
            stable = [square]
    return CycleView(
        phase=phase,
        predicted=best_of(stable),
        all_predicted=tuple(stable),
        relay=tuple(relay),
        square=square,
        seen=seen,
        chance=float(by_start[:, 0].mean()),
        phases_with_two_ends=float(np.mean(by_start.any(axis=1) & ~by_start.all(axis=1))),
        predicted_chance=predicted_chance,
    )
