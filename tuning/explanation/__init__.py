"""Why a car hunts, or why it does not."""

from __future__ import annotations

from tuning.explanation.ablation import (
    ablation,
    held_floor,
)
from tuning.explanation.causes import (
    CAUSES,
    best_row,
    named_by_theory,
)
from tuning.explanation.cycle import (
    STARTS_rpm,
)
from tuning.explanation.ends import (
    ends_of,
)
from tuning.explanation.explaining import (
    Explanation,
    explain,
)
from tuning.explanation.map import (
    QUICK,
    HuntingMap,
    gain_map,
    resolution_map,
)
from tuning.explanation.resolution import (
    resolution_view,
)
from tuning.explanation.runs import (
    Phases,
    even_phases,
    run_phases,
    without_scatter,
)
from tuning.explanation.story import (
    Moment,
    Story,
)
from tuning.explanation.switches import (
    switches,
)

__all__ = [
    "CAUSES",
    "QUICK",
    "Explanation",
    "HuntingMap",
    "Moment",
    "Phases",
    "STARTS_rpm",
    "Story",
    "ablation",
    "best_row",
    "ends_of",
    "even_phases",
    "explain",
    "gain_map",
    "held_floor",
    "named_by_theory",
    "resolution_map",
    "resolution_view",
    "run_phases",
    "switches",
    "without_scatter",
]
