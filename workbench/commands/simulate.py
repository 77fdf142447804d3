"""``evenidle simulate``: one run, measured, drawn and told."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from workbench.commands.options import AsJson, CarFile, Quiet, Seed
from workbench.output.printing import Screen, number

if TYPE_CHECKING:
    from sim import Car, Scenario, Trace
    from tuning.measures import Measures
    from tuning.starts import StartStory

DRAWN = (".png", ".svg", ".pdf")


def simulate(
    car: CarFile,
    scenario: Annotated[
        str,
        typer.Option(
            "--scenario", metavar="NAME_OR_FILE", help="Scenario file, or a bundled name."
        ),
    ] = "warm_idle",
    events: Annotated[
        bool, typer.Option("--events", help="Tell every firing, update and valve step.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="DIR",
            help="Folder for trace (CSV) and figure (PNG); or the name of either file.",
        ),
    ] = None,
    seed: Seed = 0,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Run one car through one scenario: measures, and with --out a figure and the trace."""
    from sim import load_car, load_scenario

    screen = Screen("simulate", as_json, quiet)
    read_car, read_scenario = load_car(car), load_scenario(scenario)
    screen.warn_of_compiling()
    from sim import simulate as run
    from workbench.figures.trace import trace_finding

    trace = run(read_car, read_scenario, seed)
    measures, hunts = measured(trace, read_scenario)
    story = _story(trace, read_car, read_scenario)
    finding = trace_finding(trace, measures, hunts) if story is None else story.finding()
    files = _write(trace, read_car, finding, out, story) if out is not None else []
    if events and not as_json:
        for event in trace.events:
            screen.say(f"{event.time_s:10.4f} s  {event.name:<17}  {event.text}")
    screen.table(finding, ["measure", "value", "unit"], _rows(measures), right=" r ")
    for line in _position(trace) if story is None else story.lines()[1:]:
        screen.say(line)
    for file in files:
        screen.say(f"written: {file}")
    screen.verdict(finding)
    result: dict[str, Any] = {
        "car": trace.name, "scenario": trace.scenario, "seed": seed, "finding": finding,
        "measures": measures.to_dict(), "hunts": hunts, "counters": trace.counters,
        "stalled_s": trace.stalled_s,
        "start": None if story is None else story.to_dict(), "files": [str(file) for file in files],
    }  # fmt: skip
    if events:
        result["events"] = [
            {"time_s": one.time_s, "name": one.name, "text": one.text} for one in trace.events
        ]
    screen.finish(result)


def _position(trace: Trace) -> list[str]:
    """What a run without a start tells of a valve that is not where it is counted."""
    from tuning.starts import lost_in

    lost = lost_in(trace, trace["running"] > 0.5)
    return [] if lost is None else [lost.told(trace.duration_s)]


def _story(trace: Trace, car: Car, scenario: Scenario) -> StartStory | None:
    """The start, told, where the key is turned to crank."""
    from tuning.starts import start_story

    cranked = any(one.set == "key" and one.to == "crank" for one in scenario.event)
    return start_story(trace, car) if cranked and bool((trace["key"] > 1.5).any()) else None


def measured(trace: Trace, scenario: Scenario) -> tuple[Measures, bool | None]:
    """Measure a run over the windows of its scenario, and tell whether it hunts."""
    from tuning.measures import is_hunting, measure

    windows = [(one.what, one.from_s, one.to_s) for one in scenario.measure]
    measures = measure(trace, windows or None)
    asked = not windows or any(what == "hunting" for what, _, _ in windows)
    return measures, is_hunting(measures) if asked else None


def _rows(measures: Measures) -> list[list[str]]:
    from tuning.measures import MEASURES

    values = measures.to_dict()
    return [
        [one.meaning, number(values[one.name]), one.unit]
        for one in MEASURES
        if values[one.name] is not None
    ]


def _write(trace: Trace, car: Car, finding: str, out: Path, story: StartStory | None) -> list[Path]:
    """Write trace and figures; ``out`` is a folder, or the name of trace or figure."""
    from workbench.figures.trace import trace_figure
    from workbench.output.drawing import save_figure
    from workbench.output.results import made_folder

    if out.suffix.lower() == ".csv":
        table, picture = out, out.with_suffix(".png")
    elif out.suffix.lower() in DRAWN:
        table, picture = out.with_suffix(".csv"), out
    else:
        made_folder(out)
        stem = re.sub(r"[^A-Za-z0-9]+", "-", f"{trace.name}-{trace.scenario}").strip("-")
        table, picture = out / f"{stem}.csv", out / f"{stem}.png"
    trace.to_csv(table)
    save_figure(trace_figure(trace, car, finding), picture)
    if story is None:
        return [table, picture]
    from workbench.figures.start import start_figure

    start = picture.with_name(f"{picture.stem}-start{picture.suffix}")
    save_figure(start_figure(trace, story), start)
    return [table, picture, start]
