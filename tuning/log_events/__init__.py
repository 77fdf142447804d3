"""What happens in a log: stretches, held positions, load steps, warming up, its swing."""

from __future__ import annotations

from tuning.log_events.load_steps import find_shifts, switched, unrecorded_loads
from tuning.log_events.segments import Segment, find_segments, rpm_per_step_in, still_stretches, valve_moves
from tuning.log_events.spark import SparkFound, spark_in, with_recorded_spark
from tuning.log_events.states import (
    QUICK_ENOUGH_s,
    driven_share,
    idle_rows,
    mended,
    steady_rows,
    stretches,
    with_rising_time,
)
from tuning.log_events.swing import read_run, read_swing, undisturbed
from tuning.log_events.swing_answer import ALIKE, BY_HAND_per_min, Swing
from tuning.log_events.warmth import HotPart, WarmUp, held_steps, hot_part, target_of, warm_up

__all__ = [
    "ALIKE", "BY_HAND_per_min", "HotPart", "QUICK_ENOUGH_s", "Segment", "SparkFound", "Swing", "WarmUp",
    "driven_share", "find_segments", "find_shifts", "held_steps", "hot_part", "idle_rows", "mended",
    "read_run", "read_swing", "rpm_per_step_in", "spark_in", "steady_rows", "still_stretches", "stretches",
    "switched", "target_of", "undisturbed", "unrecorded_loads", "valve_moves", "warm_up",
    "with_recorded_spark", "with_rising_time",
]  # fmt: skip
