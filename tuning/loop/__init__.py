"""The closed loop on paper: operating point, linear plant, margins, rules, limit cycles."""

from __future__ import annotations

from tuning.loop.cycles import Cycle, square_cycle
from tuning.loop.lattice import (
    largest_resting_move,
    lattice_chance,
    resolution_ratio,
    smallest_resting_deadband,
    smallest_useful_move,
)
from tuning.loop.laws import linear_law, resting_deadband_rpm, tread_steps
from tuning.loop.point import (
    EngineFigures,
    IdlePoint,
    WARM_degC,
    base_position,
    engine_figures,
    idle_point,
    needed_steps,
    usual_idle,
    with_rpm_per_step,
)
from tuning.loop.rules import Rule, first_order_plus_delay, starting_settings
from tuning.loop.sampled_loop import SampledLaw
from tuning.loop.view import LinearView, border, linear_view
from tuning.loop.waveform_cycles import predicted_cycles

__all__ = [
    "Cycle",
    "EngineFigures",
    "IdlePoint",
    "LinearView",
    "Rule",
    "SampledLaw",
    "WARM_degC",
    "base_position",
    "border",
    "engine_figures",
    "first_order_plus_delay",
    "idle_point",
    "largest_resting_move",
    "lattice_chance",
    "linear_law",
    "linear_view",
    "needed_steps",
    "predicted_cycles",
    "resolution_ratio",
    "resting_deadband_rpm",
    "smallest_resting_deadband",
    "smallest_useful_move",
    "square_cycle",
    "starting_settings",
    "tread_steps",
    "usual_idle",
    "with_rpm_per_step",
]
