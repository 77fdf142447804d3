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
    """Everything a verdict is drawn from."""

    car: Car
    point: IdlePoint  # its warm idle
    linear: LinearView  # margins
    resolution: ResolutionView  # steps against deadband
    cycle: CycleView  # predicted and simulated cycle
    table: Ablation  # with and without
    bound: tuple[BoundRow, ...]  # unbeatable dips, may be empty
    suggested: dict[str, Any]  # suggested settings, may be empty
