"""In a job's process: one cycle of hunting told, with its proof."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sim import Car
    from workbench.page.jobs import Tell


def explain_work(tell: Tell, *, car: Car, seed: int) -> dict[str, Any]:
    """Explain why a car hunts, or why it does not."""
    from tuning.explanation import explain
    from workbench.page.cycle_parts import cycle_parts
    from workbench.words.wording import worded

    found = explain(car, seed=seed, quick=True, on_progress=tell)
    lines = worded(found.lines())
    return {"lines": lines, "hunts": found.hunts, "cycle": cycle_parts(found)}
