"""Why a car hunts, or why it does not."""

from __future__ import annotations

from tuning.explanation.chance import StartChance, hunting_chance, hunting_map, what_ifs
from tuning.explanation.explaining import Explanation, explain
from tuning.explanation.map import HuntingMap
from tuning.explanation.story import Moment, Story
from tuning.explanation.switches import suggested_settings

__all__ = [
    "Explanation", "HuntingMap", "Moment", "StartChance", "Story", "explain", "hunting_chance", "hunting_map",
    "suggested_settings", "what_ifs",
]  # fmt: skip
