"""In a job's process: one cold start, curves proposed from the model, and the sheet."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

import sim
import tuning
from workbench.figures.trace import trace_finding
from workbench.output.html_page import HtmlPages
from workbench.output.pdf_pages import PdfPages
from workbench.page.jobs import Tell
from workbench.page.points import changes, thinned
from workbench.sheet.making import make_sheet
from workbench.sheet.writing import expected_note, sheet_bytes, sheet_csv, sheet_json
from workbench.words.wording import in_words

PLAYED_s = 240.0
MOST_POINTS = 900
LEAST_LATER_s = 30.0  # Hunting is told by no less [s].


def start_work(tell: Tell, *, car: sim.Car, coolant_degC: float, seed: int) -> dict[str, Any]:
    """Start the engine at a temperature and tell what happens."""
    tell(0.1, "starting the engine")
    # The key, and the second try if the first fails, are those of the bundled cold starts.
    scenario = sim.load_scenario("cold_start_0").model_copy(
        update={
            "name": f"start at {coolant_degC:.0f} degC", "duration_s": PLAYED_s,
            "coolant_degC": coolant_degC, "ambient_degC": coolant_degC,
        }
    )  # fmt: skip
    trace = sim.simulate(car, scenario, seed)
    tell(0.5, "starting it without feedback")
    without = sim.simulate(sim.with_values(car, {"feedback": {"law": "none"}}), scenario, seed)
    tell(0.9, "telling it")
    story = tuning.start_story(trace, car)
    # No other temperature of the start has the name.
    engine = "engine" if car.sensors.temperature_of == "oil" else car.temperature_name
    time_s = (np.arange(trace.resampled("rpm").size) + 1) * 0.05
    curved, stepped = ("rpm", "coolant_degC", "oil_degC"), ("target_rpm", "valve_steps", "base_steps")
    told = {
        name: reduced(time_s, trace.resampled(name), MOST_POINTS)
        for reduced, names in ((thinned, curved), (changes, stepped))
        for name in names
    }
    return {
        "finding": in_words(story.finding) + later_words(story, trace, without), "lines": told,
        "wrong": [one.to_dict() for one in (*story.position, *story.wrong)],
        "length_s": trace.duration_s, "coolant_degC": coolant_degC, "engine": engine,
        "phases": [[p.name, p.from_s, p.to_s, p.text.to_dict()] for p in story.phases],
    }  # fmt: skip


def later_words(story: tuning.StartStory, trace: sim.Trace, without: sim.Trace) -> str:
    """Whether it hunts after the minute of which the story's finding tells."""
    from_s = story.key_s + tuning.WATCHED_s
    runs = story.run_s < tuning.WATCHED_s and math.isnan(story.stalled_s)
    if not runs or story.until_s - from_s < LEAST_LATER_s:
        return ""
    window = [("hunting", from_s, story.until_s)]
    floor_rpm, floor = 0.0, ""
    if math.isnan(without.stalled_s):
        floor_rpm = tuning.measure(without, window).hunting_rpm
    if floor_rpm > 0.0:  # an engine that does not run without feedback leaves none
        floor = f" With feedback off it would be {floor_rpm:.0f} rpm."
    later = tuning.measure(trace, window, floor_rpm=floor_rpm)
    told = trace_finding(trace, later, in_words(tuning.read_run(trace, *window[0][1:])[1])).partition(": ")[2]
    return f" After that minute {told}{floor}"


def base_work(tell: Tell, *, car: sim.Car, seed: int) -> dict[str, Any]:
    """Propose the open-loop curves from the model."""
    tell(0.1, "starting the engine in many ways")
    found = tuning.base_from_model(car, seed=seed)
    return {"told": [one.to_dict() for one in found.verdict()], "curves": found.curves()}


def sheet_work(tell: Tell, *, car: sim.Car, seed: int, forced: bool) -> dict[str, Any]:
    """Make the sheet in every form."""
    made = make_sheet(
        car,
        seed=seed,
        even_if_untrusted=forced,
        on_progress=lambda share, *_: tell(0.8 * share, "predicting"),
    )
    tell(0.85, "writing")
    return {
        "html": {one: sheet_bytes(made, HtmlPages, one).decode() for one in (False, True)},
        "pdf": {one: sheet_bytes(made, PdfPages, one) for one in (False, True)},
        "csv": sheet_csv(made), "json": sheet_json(made), "note": expected_note(made),
    }  # fmt: skip
