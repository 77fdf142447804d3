"""The closed loop on paper: operating point, linear plant, margins, rules, limit cycles."""

from __future__ import annotations

from tuning.loop.cycles import (
    Cycle,
    relay_cycles,
    square_cycle,
    step_response,
)
from tuning.loop.delays import (
    Reals,
)
from tuning.loop.engine_figures import (
    EngineFigures,
    engine_figures,
)
from tuning.loop.lattice import (
    largest_resting_move,
    lattice_chance,
    resolution_ratio,
    smallest_resting_deadband,
    smallest_useful_move,
)
from tuning.loop.laws import (
    SampledPID,
    linear_law,
    resting_deadband_rpm,
    tread_steps,
)
from tuning.loop.linear import (
    LinearIdle,
)
from tuning.loop.point import (
    IdlePoint,
    WARM_degC,
    idle_point,
    with_rpm_per_step,
)
from tuning.loop.rules import (
    FirstOrderDelay,
    RulePI,
    amigo_pi,
    simc_pi,
    starting_settings,
)
from tuning.loop.sampled_loop import (
    SampledPI,
)
from tuning.loop.staircase_cycles import (
    staircase_cycles,
)
from tuning.loop.view import (
    LinearView,
    border,
    known,
    linear_view,
)
from tuning.loop.waveform_cycles import (
    predicted_cycles,
)

__all__ = [
    "Cycle",
    "EngineFigures",
    "FirstOrderDelay",
    "IdlePoint",
    "LinearIdle",
    "LinearView",
    "Reals",
    "RulePI",
    "SampledPI",
    "SampledPID",
    "WARM_degC",
    "amigo_pi",
    "border",
    "engine_figures",
    "idle_point",
    "known",
    "largest_resting_move",
    "lattice_chance",
    "linear_law",
    "linear_view",
    "predicted_cycles",
    "relay_cycles",
    "resolution_ratio",
    "resting_deadband_rpm",
    "simc_pi",
    "smallest_resting_deadband",
    "smallest_useful_move",
    "square_cycle",
    "staircase_cycles",
    "starting_settings",
    "step_response",
    "tread_steps",
    "with_rpm_per_step",
]
