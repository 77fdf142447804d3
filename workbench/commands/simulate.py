"""``evenidle simulate``: one run, measured, drawn and told."""

from __future__ import annotations

import math
import re
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import sim
import tuning
from workbench.commands.options import CarFile, Full, option
from workbench.output.drawing import save_figure
from workbench.output.printing import Screen
from workbench.output.results import FEW, check_place, made_folder
from workbench.words.explanation import LOADS
from workbench.words.tables import Table, number
from workbench.words.wording import in_words

DRAWN = (".png", ".svg", ".pdf")
PLACE = "Folder for trace (CSV) and figure (PNG); or the name of either file."
SCENARIOS = f"Scenario file, or a bundled name: {', '.join(sim.bundled_scenarios())}."


def simulate(
    screen: Screen, seed: int, car: CarFile,
    scenario: Annotated[str, option("--scenario NAME_OR_FILE", SCENARIOS)] = "warm_idle",
    events: Annotated[bool, option("--events", "Tell every firing, update and valve step.")] = False,
    out: Annotated[Path | None, option("--out DIR", PLACE)] = None, full: Full = False,
) -> None:  # fmt: skip
    """Run a car through a scenario: measures; --out: figure and trace."""
    read_car, read_scenario = sim.load_car(car), sim.load_scenario(scenario)
    places = _places(out, f"{read_car.name}-{read_scenario.name}", car, scenario)
    screen.warn_of_compiling()
    from workbench.figures.trace import trace_finding

    trace = sim.simulate(read_car, read_scenario, seed)
    measures, floor_rpm = measured(trace, read_car, read_scenario, seed)
    told, hunts = _hunting(trace, read_scenario, floor_rpm)
    story = _story(trace, read_car, read_scenario)
    if story is not None:  # it says where the base curve is wrong
        screen.caution()
    screen.basis(read_car)
    if missing := tuning.not_fitted(read_car, read_scenario):
        screen.say(f"not fitted to this car, so left out: {', '.join(LOADS.get(m, m) for m in missing)}")
    hunting = None if told is None else in_words(told)
    finding = trace_finding(trace, measures, hunting) if story is None else in_words(story.finding)
    files = _write(trace, read_car, finding, places, story) if places else []
    for event in trace.events if events and not screen.as_json else ():
        screen.say(f"{event.time_s:10.4f} s  {event.name:<17}  {event.text}")
    limits = _limits(read_car, read_scenario, floor_rpm, trace.counters["target_rpm"])
    lost = tuning.lost_in(trace, trace["running"] > 0.5) if story is None else None
    position = [] if lost is None else [lost.told(trace.duration_s)]
    _tell(screen, measures, limits, position if story is None else story.lines()[1:], full)
    for file in files:
        screen.say(f"written: {file}")
    screen.verdict(finding)
    screen.say(f"next: evenidle {'explain' if hunts else 'stress' if story is None else 'base'} {car}")
    result: dict[str, Any] = {
        "car": trace.name, "scenario": trace.scenario, "seed": seed, "finding": finding,
        "floor_rpm": floor_rpm or None,
        "measures": measures.to_dict(), "hunts": hunts, "counters": trace.counters,
        "stalled_s": trace.stalled_s,
        "start": None if story is None else story.to_dict(),
        "files": [str(file) for file in files],
    }  # fmt: skip
    if events:
        result["events"] = [asdict(one) for one in trace.events]
    screen.finish(result)


def _story(trace: sim.Trace, car: sim.Car, scenario: sim.Scenario) -> tuning.StartStory | None:
    cranked = any(one.set == "key" and one.to == "crank" for one in scenario.event)
    return tuning.start_story(trace, car) if cranked and bool((trace["key"] > 1.5).any()) else None


def measured(
    trace: sim.Trace, car: sim.Car, scenario: sim.Scenario, seed: int
) -> tuple[tuning.Measures, float | None]:
    """Measure a run over the windows of its scenario."""
    windows = [(one.what, one.from_s, one.to_s) for one in scenario.measure]
    if not tuning.is_fitted(car, scenario):  # nothing happens that a load window could measure
        windows = [one for one in windows if one[0] != "load"]
    asked = [one for one in windows if one[0] == "hunting"]
    if windows and not asked:
        return tuning.measure(trace, windows), None
    held = sim.simulate(sim.with_values(car, {"feedback": {"law": "none"}}), scenario, seed)
    floor_rpm = tuning.measure(held, asked or None).hunting_rpm
    if not math.isnan(held.stalled_s):
        floor_rpm = 0.0
    return tuning.measure(trace, windows or None), floor_rpm


def _hunting(
    trace: sim.Trace, scenario: sim.Scenario, floor_rpm: float | None
) -> tuple[tuning.Note | None, bool | None]:
    """Whether the run hunts, told and as the JSON has it: None where that cannot be told.

    Judged as ``diagnose`` judges the log of it.
    """
    if floor_rpm is None:
        return None, None
    spans = [(one.from_s, one.to_s) for one in scenario.measure if one.what == "hunting"]
    answer, note = tuning.read_run(trace, *max(spans, key=lambda span: span[1] - span[0], default=(None,)))
    return note, None if answer == tuning.CANNOT_TELL else answer == tuning.HUNTS


FIRST = (
    "stalled_s", "worst_below_target_rpm", "worst_settle_s", "blip_undershoot_rpm", "blip_settle_s",
    "start_flare_rpm", "start_stable_s", "hunting_rpm", "mean_error_rpm", "lowest_rpm", "moves_per_min",
)  # fmt: skip
"""Measures by what matters most, of which the first few that a run has are shown."""


def _limits(
    car: sim.Car, scenario: sim.Scenario, floor_rpm: float | None, target_rpm: float
) -> dict[str, str]:
    """Up to where a measure is good, by the stress matrix and by what a start should be."""
    limits = tuning.stress_limits(target_rpm, car.engine.stall_rpm, floor_rpm or math.nan)
    if any(one.what != "hunting" for one in scenario.measure):  # moves are then readiness, not wear
        del limits["moves_per_min"]
    good = {name: float(first) for name, (first, _) in limits.items() if math.isfinite(first)}
    return {n: f"{'at least' if n == 'lowest_rpm' else 'up to'} {value:.0f}" for n, value in good.items()}


def _tell(
    screen: Screen, measures: tuning.Measures, good: dict[str, str], lines: list[tuning.Note], full: bool
) -> None:
    """Print measures and what is told of a run: all in full, else few and without a start's phases."""
    values = measures.to_dict()
    known = [one for one in tuning.MEASURES if values[one.name] is not None]
    few = [name for name in FIRST if values[name] is not None][:FEW]
    shown = [one for one in known if full or one.name in few]
    rows = [[one.meaning, number(values[one.name], unit=one.unit), one.unit, good.get(one.name, "")]
            for one in shown]  # fmt: skip
    screen.table("", Table(("measure", "value", "unit", "good is"), rows, " r "))
    told = [one for one in lines if full or one.code != "starts.phase"]
    for line in told:
        screen.say(line)
    if not full:
        screen.say(f"... {len(known) - len(shown) + len(lines) - len(told)} more with --full")


def _places(out: Path | None, name: str, *inputs: str) -> list[Path]:
    """Find where trace and figures may go; ``out`` is a folder, or the name of trace or figure."""
    if out is None:
        return []
    if out.suffix.lower() == ".csv":
        table, picture = out, out.with_suffix(".png")
    elif out.suffix.lower() in DRAWN:
        table, picture = out.with_suffix(".csv"), out
    else:
        made_folder(out)
        stem = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[:100]
        table, picture = out / f"{stem}.csv", out / f"{stem}.png"
    places = [table, picture, picture.with_name(f"{picture.stem}-start{picture.suffix}")]
    for place in places:
        check_place(place, *inputs)
    return places


def _write(
    trace: sim.Trace, car: sim.Car, finding: str, places: list[Path], story: tuning.StartStory | None
) -> list[Path]:
    from workbench.figures.trace import trace_figure

    table, picture, start = places
    trace.to_csv(table)
    save_figure(trace_figure(trace, car, finding), picture)
    if story is None:
        return [table, picture]
    from workbench.figures.start import start_figure

    save_figure(start_figure(trace, story), start)
    return [table, picture, start]
