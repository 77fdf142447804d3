"""In a job's process: one cycle of hunting told, with its proof."""

from __future__ import annotations

from typing import Any

import sim
import tuning
from workbench.page.cycle_parts import cycle_parts
from workbench.page.jobs import Tell
from workbench.words.wording import worded


def explain_work(tell: Tell, *, car: sim.Car, seed: int) -> dict[str, Any]:
    """Explain why a car hunts, or why it does not."""
    found = tuning.explain(car, seed=seed, quick=True, on_progress=tell)
    lines = worded(found.lines())
    return {"lines": lines, "hunts": found.hunts, "cycle": cycle_parts(found)}
