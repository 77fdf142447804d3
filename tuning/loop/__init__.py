"""The closed loop on paper: operating point, linear plant, margins, rules, limit cycles."""

from __future__ import annotations

from tuning.loop.cycles import Cycle
from tuning.loop.lattice import Treads, WIDEST_DEADBAND_rpm, largest_resting_move, smallest_useful_move
from tuning.loop.point import (
    IdlePoint,
    WARM_degC,
    base_position,
    engine_figures,
    idle_point,
    needed_steps,
    usual_idle,
)
from tuning.loop.rules import calm_settings, first_order_plus_delay, starting_settings
from tuning.loop.sampled_loop import linear_law, resting_deadband_rpm, tread_steps
from tuning.loop.view import LinearView, linear_view, stability_border
from tuning.loop.waveform_cycles import cycles_at

__all__ = [
    "Cycle", "IdlePoint", "LinearView", "Treads", "WARM_degC", "WIDEST_DEADBAND_rpm",
    "base_position", "calm_settings", "cycles_at", "engine_figures", "first_order_plus_delay", "idle_point",
    "largest_resting_move", "linear_law", "linear_view", "needed_steps", "resting_deadband_rpm",
    "smallest_useful_move", "stability_border", "starting_settings", "tread_steps", "usual_idle",
]  # fmt: skip
