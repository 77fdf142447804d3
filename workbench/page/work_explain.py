"""In a job's process: one cycle of hunting told, with its proof, and as plain values to be drawn."""

from __future__ import annotations

from typing import Any

import numpy as np

import sim
import tuning
from workbench.page.jobs import Tell
from workbench.page.points import thinned
from workbench.words.wording import worded

MOST_POINTS = 700


def cycle_parts(found: tuning.Explanation) -> dict[str, Any] | None:
    """Take out of an explanation what the page draws of one cycle."""
    story = found.story
    if story is None:
        return None
    digits = {"rpm": 1, "valve_steps": 1, "opening_steps": 2, "map_kPa": 2}
    steps, move = story.valve_steps, story.move_steps
    settled = [[float(at), round(float(rpm), 1)] for at, rpm in enumerate(story.settled_rpm)]
    moments = []
    for one in story.moments:
        at = min(int(np.searchsorted(story.time_s, one.at_s)), story.time_s.size - 1)
        moments.append(
            {
                "at_s": round(one.at_s, 3), "kind": one.kind, "rpm": one.rpm,
                "valve_steps": one.valve_steps, "text": worded(one.text),
                "opening_steps": float(story.opening_steps[at]),
                "map_kPa": float(story.map_kPa[at]),
            }
        )  # fmt: skip
    inside = (story.time_s >= 0.0) & (story.time_s <= story.period_s)
    orbit = np.column_stack([story.opening_steps[inside], np.round(story.rpm[inside], 1)])
    return {
        "lines": {
            name: thinned(story.time_s, getattr(story, name), MOST_POINTS, kept)
            for name, kept in digits.items()
        },
        "orbit": orbit.tolist(), "moments": moments, "settled": settled,
        "reached": [one for one in settled if int(one[0]) % move == int(steps.min()) % move],
        "period_s": float(story.period_s), "target_rpm": float(story.target_rpm),
        "deadband_rpm": float(story.deadband_rpm), "move_steps": int(move),
        "from_s": float(story.time_s[0]), "to_s": float(story.time_s[-1]),
    }  # fmt: skip


def explain_work(tell: Tell, *, car: sim.Car, seed: int) -> dict[str, Any]:
    """Explain why a car hunts, or why it does not."""
    found = tuning.explain(car, seed=seed, quick=True, on_progress=tell)
    headline, *rest = found.verdict
    first = [value for name, value in headline.values if name == "cause"]  # its chance stands elsewhere
    return {"lines": worded([*first, *rest]), "hunts": found.hunts, "cycle": cycle_parts(found)}
