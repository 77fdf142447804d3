"""In a job's process: a log read and judged, and the model fitted to it."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

import sim
import tuning
from workbench.figures.log import fit_figure, fit_finding
from workbench.output.drawing import figure_bytes
from workbench.output.results import columns_from_text, kept_columns
from workbench.page.jobs import Tell
from workbench.page.log_chart import PLACES
from workbench.words.wording import worded

MOST_POINTS = 6000
"""A longer log is drawn by the least and the most of what lies between, so that no swing is lost."""
MOST_PLACES = 8  # So many stretches can be gone to.
MOST_CURVES = 4  # Stretches of a fit that are drawn.
STATE_WORDS = {
    "stopped": "not running", "start": "starting", "driven": "with the throttle open",
    "idle": "idling",
}  # fmt: skip
WITHIN_WORDS = {"hunting": "hunting", "load": "load", "step": "valve step", "steady": "steady"}
"""What is told apart within idling, so that it must not be counted beside it."""
THROUGHOUT = 0.95  # Hunting for this share of all idling is hunting throughout [-].


def made_of(segments: Iterable[tuple[str, float, float]]) -> str:
    """Say what a log is made of."""
    lasted: dict[str, float] = {}
    counted: Counter[str] = Counter()
    for kind, from_s, to_s in segments:
        lasted[kind] = lasted.get(kind, 0.0) + to_s - from_s
        counted[kind] += 1
    told = [f"{lasted[kind]:.0f} s {words}" for kind, words in STATE_WORDS.items() if counted[kind]]
    long_s = THROUGHOUT * lasted.get("idle", 0.0)
    within = [f"{counted[kind]} x {words}" for kind, words in WITHIN_WORDS.items() if counted[kind]]
    if counted["hunting"] and lasted["hunting"] >= long_s:  # it is the first of them
        within[0] = "hunting throughout"
    return ", ".join(told) + (f"; while idling: {', '.join(within)}" if within else "")


def in_page_words(text: str) -> str:
    """Name the field of the page where a message names the commands' option."""
    return re.sub(r'with --columns "([^"]*)"', r"under 'Columns by hand': \1", text)


def without_folders(texts: Iterable[str], paths: Iterable[Path]) -> list[str]:
    """Leave out where this server has put logs: their owners know them by their names."""
    told = list(texts)
    for folder in {f"{path.parent}{os.sep}" for path in paths}:
        told = [one.replace(folder, "") for one in told]
    return told


def refusal(name: str, error: sim.InputError) -> str:
    """Say why a log was not taken in."""
    told = []
    for one in error.problems:
        place = "" if one.line <= 1 else f", line {one.line}"
        key = ":" if one.key == "file" else f": {one.key}:"
        if not place and key == ":" and one.message.startswith("is "):
            key = ""  # a sentence by itself
        told.append(in_page_words(f"{name}{place}{key} {one.message}"))
    return "\n".join(told)


def log_lines(log: tuning.Log, found: tuning.Diagnosis, car: sim.Car | None, seed: int = 0) -> dict[str, Any]:
    """What the chart shows of a log, in plain values; the model's run where the car tells one."""
    log = tuning.with_rising_time(log)
    signals = {"rpm": log.rpm, "target": log.target_rpm, "steps": log.valve_steps, "kPa": log.map_kPa}
    lines = {name: _points(log.time_s, values) for name, values in signals.items() if values is not None}
    by_hand = any(one.kind == "step" for one in found.segments)  # what feedback would do says nothing then
    if car is not None and not by_hand and (run := _modelled(log, car, seed)) is not None:
        lines["model"] = run
    places = [(one.kind, float(one.from_s), float(one.to_s)) for one in found.segments]
    named = [one for one in places if one[0] in PLACES]
    longest = sorted(named, key=lambda one: one[1] - one[2])[:MOST_PLACES]
    return {"lines": lines, "places": sorted(longest, key=lambda one: one[1])}


def _modelled(log: tuning.Log, car: sim.Car, seed: int) -> list[list[float]] | None:
    """One run of the car's model under the log's temperature and loads; None where nothing idles long."""
    try:
        run = tuning.compare(car, log, seed=seed).overlay
    except sim.InputError:
        return None
    return _points(run.time_s, run.predicted_rpm)


def _points(time_s: Any, values: Any) -> list[list[float]]:
    """Times and values; of many readings the least and the most of each few."""
    each = max(1, -(-2 * len(time_s) // MOST_POINTS))
    if each > 1:
        first = np.arange(0, len(time_s), each)
        ends = [first + [int(of(values[k : k + each])) for k in first] for of in (np.argmin, np.argmax)]
        kept = np.unique(np.concatenate(ends))
        time_s, values = time_s[kept], values[kept]
    return [[round(float(t), 3), round(float(v), 2)] for t, v in zip(time_s, values, strict=True)]


def log_work(tell: Tell, *, path: Path, columns: str, car: sim.Car | None, whose: str = "") -> dict[str, Any]:
    """Read a log and say what is in it and what drives the idle."""
    tell(0.1, "reading")
    try:
        log = tuning.read_log(path, columns_from_text(columns or None), kept=kept_columns(car))
    except sim.InputError as error:
        return {"path": path, "name": path.name, "new": True, "refused": refusal(path.name, error)}
    tell(0.4, "judging")
    found = tuning.diagnose(log, car)
    tell(0.8, "drawing")
    verdict, *lines = without_folders(worded(found.lines()), [path])
    return {
        "path": path, "name": path.name, "new": True, "whose": whose, "verdict": verdict,
        "lines": [in_page_words(one) for one in lines],
        "recognised": [in_page_words(one) for one in without_folders(log.summary(), [path])],
        "hunting": found.hunting,
        "made_of": made_of((one.kind, one.from_s, one.to_s) for one in found.segments),
        "chart": log_lines(log, found, car),
    }  # fmt: skip


def fit_work(tell: Tell, *, paths: list[Path], columns: str, car: sim.Car, seed: int) -> dict[str, Any]:
    """Fit the model to logs."""
    by_hand = columns_from_text(columns or None)
    try:
        logs = [tuning.read_log(path, by_hand, kept=kept_columns(car)) for path in paths]
        found = tuning.fit(car, logs, seed=seed, on_progress=tell)
    except sim.InputError as error:
        raise sim.InputError(
            sim.Problem(one.file, one.line, one.key, in_page_words(message))
            for one in error.problems
            for message in without_folders([one.message], paths)
        ) from error
    tell(1.0, "drawing")
    verdict, *lines = without_folders(worded(found.lines()), paths)
    drawn = partial(fit_figure, found, titled=False)
    curves = range(min(len(found.curves), MOST_CURVES))
    pictures = {one: [figure_bytes(drawn(i, imperial=one), "svg") for i in curves] for one in (False, True)}
    return {
        "verdict": verdict, "trusted": found.trusted, "lines": lines, "car": found.car,
        "pictures": pictures, "told": fit_finding(found),
    }  # fmt: skip
