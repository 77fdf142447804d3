"""Everything a verdict is drawn from, in one place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sim import Car
from tuning.explanation.ablation import Ablation
from tuning.explanation.bound import BoundRow
from tuning.explanation.cycle import CycleView
from tuning.explanation.resolution import ResolutionView
from tuning.loop import IdlePoint, LinearView


@dataclass(frozen=True, eq=False)
class Findings:
    """Everything a verdict is drawn from.

    Attributes
    ----------
    car : Car
        The car.
    point : IdlePoint
        Its warm idle.
    linear : LinearView
        Margins.
    resolution : ResolutionView
        Steps against deadband.
    cycle : CycleView
        Predicted and simulated cycle.
    table : Ablation
        With and without.
    bound : tuple of BoundRow
        Unbeatable dips, may be empty.
    suggested : dict
        Suggested settings, may be empty.
    """

    car: Car
    point: IdlePoint
    linear: LinearView
    resolution: ResolutionView
    cycle: CycleView
    table: Ablation
    bound: tuple[BoundRow, ...]
    suggested: dict[str, Any]
