"""Starts of the engine: simulated, told as a story, and what air they need."""

from __future__ import annotations

from tuning.starts.need import (
    LEAST_CRANKING_steps,
    LEAST_EXTRA_steps,
    Need,
    PLACES_degC,
    USUAL_FADE_s,
    held_in_starts,
    needs,
)
from tuning.starts.phases import Phase
from tuning.starts.position import lost_in
from tuning.starts.story import StartStory, WATCHED_s, start_story
from tuning.starts.trials import STABLE_s, StartResult, STARTS_degC, start_results, target_moves

__all__ = [
    "LEAST_CRANKING_steps", "LEAST_EXTRA_steps", "Need", "PLACES_degC", "Phase", "STABLE_s", "STARTS_degC",
    "StartResult", "StartStory", "USUAL_FADE_s", "WATCHED_s", "held_in_starts", "lost_in", "needs",
    "start_results", "start_story", "target_moves",
]  # fmt: skip
