"""In a job's process: the search for settings, and the stress matrix."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

import sim
import tuning
from controllers import Feedback
from workbench.figures.stress import matrix_figure, stress_finding, worst_figure
from workbench.output.drawing import figure_bytes
from workbench.page.jobs import Tell
from workbench.page.points import changes, thinned
from workbench.words.search import compared_table, scored_table, tune_finding, tune_notes
from workbench.words.wording import in_words

LOOK_EVERY_s = 0.7
SHOWN_s = 60.0  # So much of the runs before and after is shown [s].


def search_work(
    tell: Tell, *, car: sim.Car, budget: str, preset: str, law: str | None, seed: int
) -> dict[str, Any]:
    """Search settings; asked to stop, judge the best so far and give that."""
    from tuning.search import Watch, judged

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        storage = Path(folder) / "search.journal"
        watch = Watch(car, storage, law)
        try:
            found = tuning.tune(
                car, law=law, budget=budget, seed=seed, storage=storage, preset=preset,
                on_progress=_watched(tell, watch.look),
            )  # fmt: skip
        except KeyboardInterrupt:
            best = watch.look().best
            if best is None:
                raise
            known = judged(car, best.settings, preset=preset, seed=seed)
            text, better = stopped_words(watch.look().trials, known.now, known.then)
            tables = [compared_table(known.now, known.then)]
            told = {"finding": text, "notes": [], "tables": tables, "offered": better}
            return told | _result(best.settings, known.samples, watch.look())
        seen = watch.look()
    tables = [scored_table(found), compared_table(found.now, found.predicted)]
    told = {"finding": tune_finding(found), "notes": tune_notes(found), "tables": tables, "offered": True}
    return told | _result(found.settings, found.samples, seen)


def stopped_words(tried: int, now: tuning.Prediction, best: tuning.Prediction) -> tuple[str, bool]:
    """Say what a search that was stopped has, with what is worse about it."""
    told = f"Stopped after {tried} settings."
    often = [
        f"{what} in {100.0 * then:.0f} of 100 runs (now {100.0 * before:.0f})"
        for what, then, before in (
            ("hunts", best.hunting_share, now.hunting_share),
            ("stalls", best.stall_share, now.stall_share),
        )
        if then > before
    ]
    if often:
        told += f" Nothing to recommend yet: on fresh cars the best of them {' and '.join(often)}."
        return f"{told} Your settings stay. Search longer.", False
    told += (
        f" On fresh cars the best of them swings {best.hunting_rpm:.0f} rpm at warm idle (now"
        f" {now.hunting_rpm:.0f} rpm): it {in_words(best.hunting.text)}"
        f" (now it {in_words(now.hunting.text)})."
    )
    if best.worst_dip_rpm > now.worst_dip_rpm:
        told += f" Worse: the deepest dip, {best.worst_dip_rpm:.0f} rpm (now {now.worst_dip_rpm:.0f} rpm)."
    return told, True


def _watched(tell: Tell, look: Callable[[], tuning.SoFar]) -> Tell:
    """Tell of progress, and now and then of what was found so far."""
    last_s = 0.0

    def told(share: float, text: str = "") -> None:
        nonlocal last_s
        more: dict[str, Any] = {}
        if time.monotonic() - last_s > LOOK_EVERY_s:
            last_s = time.monotonic()
            seen = look()
            best = seen.best and seen.best.settings.model_dump(mode="json")
            more = {"points": _points(seen), "best": best}
        tell(share, text, **more)

    return told


def _points(seen: tuning.SoFar) -> list[list[Any]]:
    """What was tried: quiet, quick, wear, score, 1 where no other beats it on three, and its settings."""
    if not seen.points:
        return []
    wishes = [[p.quiet_rpm, p.quick_s, p.wear_per_min] for p in seen.points]
    unbeaten = tuning.non_dominated(np.array(wishes)).tolist()
    return [
        [*wish, p.score_rpm, float(one), p.settings.model_dump(mode="json")]
        for wish, p, one in zip(wishes, seen.points, unbeaten, strict=True)
    ]


def _result(settings: Feedback, samples: Any, seen: tuning.SoFar) -> dict[str, Any]:
    runs = [
        {
            "rpm": thinned(shown.time_s, shown.rpm, 400), "target_rpm": float(run.target_rpm),
            "valve": changes(shown.time_s, shown.valve_steps, 400),
        }
        for run in samples
        for shown in [run.until(SHOWN_s)]
    ]  # fmt: skip
    return {"settings": settings.model_dump(mode="json"), "runs": runs, "points": _points(seen)}


def stress_work(tell: Tell, *, car: sim.Car, suite: str, seed: int) -> dict[str, Any]:
    """Run the scenario matrix."""
    found = tuning.stress(car, suite=suite, seed=seed, on_progress=tell)
    tell(1.0, "drawing")
    return {
        "finding": stress_finding(found),
        "passed": found.passed,
        "lines": [one.to_dict() for one in found.lines()[1:]],
        "matrix": {one: figure_bytes(matrix_figure(found, one), "svg") for one in (False, True)},
        "worst": {one: figure_bytes(worst_figure(found, imperial=one), "svg") for one in (False, True)},
    }
