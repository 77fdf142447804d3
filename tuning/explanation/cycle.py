"""The limit-cycle view: the cycle that theory predicts beside the one that simulation finds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sim import Car
from tuning.explanation.ends import Ends
from tuning.explanation.resolution import Bracket, bracket
from tuning.explanation.runs import Phases
from tuning.loop import Cycle, IdlePoint, base_position, cycles_at, tread_steps
from tuning.notes import plain

STARTS_rpm = (0.0, 150.0, -100.0)
"""Speeds above target at which runs start, to find end states that depend on it [rpm]."""


@dataclass(frozen=True)
class SeenCycle:
    """The cycle of one simulated run without scatter.

    Attributes
    ----------
    phase : float
        Where the target lies between the positions that whole moves from the base curve reach, 0 at
        the lower and 1 at the upper [-].
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
        Where the target lies between the positions that whole moves from the base curve reach, for
        which the cycle is predicted; one half where none hunts [-].
    predicted : Cycle or None
        Of ``all_predicted`` the one that is told; None where theory finds no stable cycle.
    all_predicted : tuple of Cycle
        All stable cycles at that phase with all harmonics, quick to slow.
    square : Cycle or None
        The slow square-like cycle in closed form.
    seen : SeenCycle or None
        The run compared with it: of those that hunt the one whose phase is nearest to one half;
        None if none hunts.
    chance : float
        Share of simulated phases that hunt, started at the target [-].
    phases_with_two_ends : float
        Share of phases that hunt or rest depending on the speed they start from [-].
    predicted_chance : float
        Chance from the geometry of positions, see ``resolution.hunting_expected`` [-].
    """

    phase: float
    predicted: Cycle | None
    all_predicted: tuple[Cycle, ...]
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

        Gives cycles as dicts; ``waveform`` is ``predicted``, ``relay`` what is over two positions.
        """
        told = self.predicted.to_dict() if self.predicted else None
        return {
            "phase": self.phase,
            "predicted": told,
            "waveform": told,
            "all_predicted": [cycle.to_dict() for cycle in self.all_predicted],
            "relay": [cycle.to_dict() for cycle in self.all_predicted if cycle.positions == 2],
            "square": self.square.to_dict() if self.square else None,
            "seen": vars(self.seen) if self.seen else None,
            "chance": self.chance,
            "phases_with_two_ends": self.phases_with_two_ends,
            "predicted_chance": self.predicted_chance,
            "period_ratio": plain(self.period_ratio),
            "swing_ratio": plain(self.swing_ratio),
        }


def _places(car: Car, point: IdlePoint, phases: Phases) -> list[Bracket | None]:
    """Positions around the target that whole moves from the base curve reach, phase by phase."""
    start, move = base_position(car, point.coolant_degC), tread_steps(car)
    return [bracket(point.rpm_with_leak(leak), point.target_rpm, start, move) for leak in phases.leak_mm2]


def seen_cycle(places: list[Bracket | None], ends: Ends) -> SeenCycle | None:
    """The run to compare theory with, chosen by theory's own places.

    Gives of the runs that hunt and have a period the one with the target nearest to midway; none if
    no run hunts.
    """
    starts = ends.hunting.size // len(places)
    rows = np.flatnonzero(ends.hunting & np.isfinite(ends.period_s)).tolist()
    found = [(row, place) for row in rows if (place := places[row // starts]) is not None]
    if not found:
        return None
    row, place = min(found, key=lambda one: abs(one[1].phase - 0.5))
    return SeenCycle(
        phase=place.phase,
        rpm_per_step=place.rpm_per_step,
        period_s=float(ends.period_s[row]),
        swing_rpm=float(ends.swing_rpm[row]),
        low_steps=float(ends.low_steps[row]),
        high_steps=float(ends.high_steps[row]),
        largest_move_steps=float(ends.largest_move_steps[row]),
        row=row,
    )


def best_of(cycles: list[Cycle]) -> Cycle | None:
    """The prediction that is told where there are several.

    Gives of those the staircase was seen to follow, else of all, the slowest: it is the one with
    the fewest positions and the nearest to rest.
    """
    return max(cycles, key=lambda cycle: (cycle.confirmed, cycle.period_s), default=None)


def cycle_view(car: Car, point: IdlePoint, phases: Phases, ends: Ends, predicted_chance: float) -> CycleView:
    """Predict the limit cycle and put it beside the simulated one.

    Gives both; what is predicted follows from engine, settings and starting place alone.
    """
    by_start = ends.hunting.reshape(len(phases), -1)
    seen = seen_cycle(_places(car, point, phases), ends)
    worth, phase = point.rpm_per_step, 0.5
    if seen is not None:
        worth, phase = seen.rpm_per_step, seen.phase
    stable, square = cycles_at(car, point, worth, phase)
    return CycleView(
        phase=phase,
        predicted=best_of(stable),
        all_predicted=tuple(stable),
        square=square,
        seen=seen,
        chance=float(by_start[:, 0].mean()),
        phases_with_two_ends=float(np.mean(by_start.any(axis=1) & ~by_start.all(axis=1))),
        predicted_chance=predicted_chance,
    )
