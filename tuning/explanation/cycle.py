"""The limit-cycle view: the cycle that theory predicts beside the one that simulation finds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sim import Car
from tuning.explanation.ends import Ends, Phases
from tuning.explanation.resolution import Bracket, bracket
from tuning.loop import Cycle, IdlePoint, base_position, cycles_at, tread_steps
from tuning.notes import Told

STARTS_rpm = (0.0, 150.0, -100.0)
"""Speeds above target at which runs start, to find end states that depend on it [rpm]."""


@dataclass(frozen=True)
class SeenCycle(Told):
    """The cycle of one simulated run without scatter."""

    phase: float  # where the target lies between positions that whole moves from the base curve reach, 0 to 1
    rpm_per_step: float  # mean worth of a step between them
    period_s: float  # its period and swing peak to peak
    swing_rpm: float
    low_steps: float  # lowest and highest position, largest single move
    high_steps: float
    largest_move_steps: float
    row: int  # its row among the runs


@dataclass(frozen=True)
class CycleView(Told):
    """Predicted and simulated limit cycle, and whether several ends exist side by side."""

    TOLD = (
        "phase", "predicted", "waveform", "all_predicted", "relay", "square", "seen", "chance",
        "phases_with_two_ends", "predicted_chance", "period_ratio", "swing_ratio",
    )  # fmt: skip

    phase: float  # of ``seen``, for which the cycle is predicted; one half where none hunts
    predicted: Cycle | None  # the one of all that is told; None where theory finds no stable cycle
    all_predicted: tuple[Cycle, ...]  # all stable cycles at that phase with all harmonics, quick to slow
    square: Cycle | None  # the slow square-like cycle in closed form
    seen: SeenCycle | None  # of those that hunt the run whose phase is nearest to one half
    chance: float  # share of simulated phases that hunt, started at the target
    phases_with_two_ends: float  # share of phases that hunt or rest depending on the speed they start from
    predicted_chance: float  # chance from the geometry of positions, see ``resolution.hunting_expected``

    @property
    def period_ratio(self) -> float:
        """Predicted over simulated period, nan without both [-]."""
        one, other = self.predicted, self.seen
        return one.period_s / other.period_s if one and other else math.nan

    @property
    def swing_ratio(self) -> float:
        """Predicted over simulated swing, nan without both [-]."""
        one, other = self.predicted, self.seen
        return one.peak_to_peak_rpm / other.swing_rpm if one and other else math.nan

    def _told(self) -> dict[str, Any]:
        over_two = [cycle for cycle in self.all_predicted if cycle.positions == 2]
        return {"waveform": self.predicted, "relay": over_two}


def seen_cycle(places: list[Bracket | None], ends: Ends) -> SeenCycle | None:
    """Of the runs that hunt with a period the one with the target nearest to midway, none if none does."""
    starts = ends.hunting.size // len(places)
    rows = np.flatnonzero(ends.hunting & np.isfinite(ends.period_s)).tolist()
    found = [(row, place) for row in rows if (place := places[row // starts]) is not None]
    if not found:
        return None
    row, place = min(found, key=lambda one: abs(one[1].phase - 0.5))
    told = ("period_s", "swing_rpm", "low_steps", "high_steps", "largest_move_steps")
    its = {name: float(getattr(ends, name)[row]) for name in told}
    return SeenCycle(phase=place.phase, rpm_per_step=place.rpm_per_step, row=row, **its)


def best_of(cycles: list[Cycle]) -> Cycle | None:
    """The prediction told: of those the staircase follows, else of all, the slowest, nearest to rest."""
    return max(cycles, key=lambda cycle: (cycle.confirmed, cycle.period_s), default=None)


def cycle_view(car: Car, point: IdlePoint, phases: Phases, ends: Ends, predicted_chance: float) -> CycleView:
    """The cycle predicted from engine, settings and starting place alone, beside the simulated one."""
    by_start = ends.hunting.reshape(len(phases), -1)
    start, move = base_position(car, point.coolant_degC), tread_steps(car)
    speeds = [point.rpm_with_leak(leak) for leak in phases]
    seen = seen_cycle([bracket(rpm, point.target_rpm, start, move) for rpm in speeds], ends)
    worth, phase = point.rpm_per_step, 0.5
    if seen is not None:
        worth, phase = seen.rpm_per_step, seen.phase
    stable, square = cycles_at(car, point, worth, phase)
    return CycleView(
        phase=phase, predicted=best_of(stable), all_predicted=tuple(stable), square=square, seen=seen,
        chance=float(by_start[:, 0].mean()),
        phases_with_two_ends=float(np.mean(by_start.any(axis=1) & ~by_start.all(axis=1))),
        predicted_chance=predicted_chance,
    )  # fmt: skip
