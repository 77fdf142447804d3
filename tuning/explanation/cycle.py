"""The limit-cycle view: the cycle that theory predicts beside the one that simulation finds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sim import Car
from tuning.explanation.ends import Ends
from tuning.explanation.followed_cycles import followed_cycle
from tuning.explanation.resolution import Bracket, bracket
from tuning.explanation.runs import Phases
from tuning.loop import (
    Cycle,
    IdlePoint,
    LinearIdle,
    SampledPI,
    SampledPID,
    known,
    linear_law,
    predicted_cycles,
    relay_cycles,
    resting_deadband_rpm,
    square_cycle,
    staircase_cycles,
    tread_steps,
    with_rpm_per_step,
)

STARTS_rpm = (0.0, 150.0, -100.0)
"""Speeds above target at which runs start, to find end states that depend on it [rpm]."""
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
        The prediction: the cycle followed update by update, where there is one to compare with;
        else ``waveform``; None where theory finds no stable cycle.
    waveform : Cycle or None
        Of ``all_predicted`` the one that is told: all harmonics, else the first.
    all_predicted : tuple of Cycle
        All stable cycles solved as continuous waves at that phase, quick to slow.
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
    waveform: Cycle | None
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

        Gives cycles as dicts.
        """
        return {
            "phase": self.phase,
            "predicted": self.predicted.to_dict() if self.predicted else None,
            "waveform": self.waveform.to_dict() if self.waveform else None,
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

    Gives those with the target midway between two positions first.
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

    Gives from quick to slow.
    """
    inside = min(max(phase, EDGE), 1.0 - EDGE)
    if isinstance(law, SampledPID) and law.derivative_steps_s_per_100rpm > 0.0:
        found = staircase_cycles(plant, law, move_steps, deadband_rpm, inside)
        return [cycle for cycle in found if cycle.stable]
    return predicted_cycles(plant, law, move_steps, deadband_rpm, inside)


def best_of(cycles: list[Cycle]) -> Cycle | None:
    """The prediction that is told where there are several.

    Gives of those the staircase was seen to follow, else of all, the slowest: it is the one with
    the fewest positions and the nearest to rest.
    """
    if not cycles:
        return None
    return max(cycles, key=lambda cycle: (cycle.confirmed, cycle.period_s))


def _followed(
    car: Car, point: IdlePoint, phases: Phases, seen: SeenCycle | None, starts: int
) -> Cycle | None:
    """The seen cycle followed in theory, from the settled speeds of its own phase."""
    if seen is None or car.feedback.law == "none" or not point.plant.is_stable():
        return None
    settled_rpm = point.rpm_with_leak(phases.leak_mm2[seen.row // starts])
    return followed_cycle(car, point, settled_rpm, (seen.low_steps, seen.high_steps))


def cycle_view(
    car: Car, point: IdlePoint, phases: Phases, ends: Ends, predicted_chance: float
) -> CycleView:
    """Predict the limit cycle and put it beside the simulated one.

    Gives both.
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
    waveform = best_of(stable)
    return CycleView(
        phase=phase,
        predicted=_followed(car, point, phases, seen, starts=by_start.shape[1]) or waveform,
        waveform=waveform,
        all_predicted=tuple(stable),
        relay=tuple(relay),
        square=square,
        seen=seen,
        chance=float(by_start[:, 0].mean()),
        phases_with_two_ends=float(np.mean(by_start.any(axis=1) & ~by_start.all(axis=1))),
        predicted_chance=predicted_chance,
    )
