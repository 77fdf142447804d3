"""``evenidle new``: a commented car file from a few facts."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

import sim
from workbench.commands.options import AsJson, Quiet, Seed
from workbench.output.printing import Screen
from workbench.output.results import check_place

COUNTING = (
    "To count the travel: engine off, feedback off, hose off the valve or the valve on the bench,"
    " key on. Command it closed until it only ticks, then open step by step (never by hand while"
    " powered) until it ticks again: the steps between are its travel. A data sheet does as well."
)
QUESTIONS: dict[str, tuple[str, Any]] = {
    "displacement_cm3": ("Swept volume of all cylinders together [cm3]", float),
    "cylinders": ("Number of cylinders", int),
    "target_rpm": ("Idle speed wanted when warm [rpm]", float),
    "travel_steps": (
        (
            "Full travel of the valve, counted [steps]; fine valves have 180 to 250, coarse ones"
            " 100 to 125; empty: not counted yet"
        ),
        int,
    ),
    "pulse_ms": ("Coil pulse of one valve step [ms]", float),
    "rest_ms": ("Rest after each pulse [ms]", float),
    "base": ("Base curve it idles on now, degC:steps,degC:steps,...", str),
    "rpm_on_10_steps": ("Warm, feedback off: rpm gained by 10 steps more; empty: not known", float),
    "map_kpa": ("Manifold pressure at warm idle [kPa]; empty: not known", float),
    "loads": ("Loads fitted, of: lamps, fan, screen, steering, aircon, automatic", str),
    "feedback": (
        (
            "Present feedback, such as gain=2, integral=1, deadband=30, min_move=1, period=200,"
            " trim_low=-15, trim_high=15; empty: none yet"
        ),
        str,
    ),
    "entry_form": (
        (
            "How the controller wants gains, such as unit=percent_of_travel, time=per_update,"
            " per_rpm=1, sign=-1; empty: steps per 100 rpm, per second"
        ),
        str,
    ),
}
OPTIONAL = ("travel_steps", "rpm_on_10_steps", "map_kpa", "loads", "feedback", "entry_form")
"""May be left empty: the file then says that it is estimated."""
USUAL: dict[str, float | str] = {
    "target_rpm": 900.0,
    "pulse_ms": 4.0,
    "rest_ms": 1.0,
    "base": "0:120,30:75,50:50,65:38,80:30",
}
"""Taken where a fact is not given and cannot be asked for; the file says so."""
LIMITS = {
    "displacement_cm3": (50.0, 10_000.0), "cylinders": (1, 12), "target_rpm": (350.0, 3000.0),
    "travel_steps": (5, 400), "pulse_ms": (0.2, 50.0), "rest_ms": (0.0, 50.0),
    "rpm_on_10_steps": (5.0, 600.0), "map_kpa": (15.0, 90.0),
}  # fmt: skip
"""What is asked for is within these."""


Displacement = Annotated[float | None, typer.Option(metavar="N", help="Swept volume of all cylinders [cm3].")]
Cylinders = Annotated[int | None, typer.Option(metavar="N", help="How many.")]
Target = Annotated[float | None, typer.Option(metavar="N", help="Idle speed wanted when warm [rpm].")]
Pulse = Annotated[float | None, typer.Option(metavar="N", help="Coil pulse of one valve step [ms].")]
Rest = Annotated[float | None, typer.Option(metavar="N", help="Rest after each pulse [ms].")]
BaseCurve = Annotated[
    str | None, typer.Option(metavar='"degC:steps,..."', help="Base curve it idles on now.")
]
Travel = Annotated[int | None, typer.Option(metavar="N", help="Full travel of the valve, counted [steps].")]
TenSteps = Annotated[float | None, typer.Option(metavar="N", help="Warm: rpm gained by 10 steps more.")]
Pressure = Annotated[
    float | None, typer.Option("--map-kPa", metavar="N", help="Manifold pressure at warm idle [kPa].")
]
LoadsFitted = Annotated[
    str | None,
    typer.Option(
        metavar='"lamps:150,fan,..."',
        help="Loads fitted, with watts or N m where known: lamps, fan, screen, steering,"
        " aircon, automatic; or none.",
    ),
]
Present = Annotated[
    str | None,
    typer.Option(
        metavar='"gain=2,..."',
        help="Present feedback: law, gain, integral, derivative, deadband, min_move, period,"
        " trim_low, trim_high; in steps, per 100 rpm, per second.",
    ),
]
Entry = Annotated[
    str | None,
    typer.Option(
        metavar='"unit=...,..."',
        help="How the controller wants its numbers: unit (steps, percent_of_travel,"
        " duty_percent), time (per_second, per_update), per_rpm, sign.",
    ),
]


def new(
    out: Annotated[Path, typer.Argument(metavar="CAR.toml", help="File to write.")],
    displacement_cm3: Displacement = None,
    cylinders: Cylinders = None,
    target_rpm: Target = None,
    pulse_ms: Pulse = None,
    rest_ms: Rest = None,
    base: BaseCurve = None,
    travel_steps: Travel = None,
    rpm_on_10_steps: TenSteps = None,
    map_kpa: Pressure = None,
    loads: LoadsFitted = None,
    feedback: Present = None,
    entry_form: Entry = None,
    name: Annotated[str | None, typer.Option(help="What the car is called.")] = None,
    cooling: Annotated[str, typer.Option(help="water or air.")] = "water",
    force: Annotated[
        bool, typer.Option("--force", help="Replace a file that is there; it is kept as .bak.")
    ] = False,
    seed: Seed = 0,  # noqa: ARG001 (every command takes it; nothing here is random)
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Write a commented car file from a few facts; the rest is estimated and marked so."""
    screen = Screen("new", as_json, quiet)
    check_place(out)
    if out.exists() and not force:
        message = "is there already, allowed: a new name, or --force (the old one is kept as .bak)"
        raise sim.one_problem(out, 1, "file", message)
    given = {
        "displacement_cm3": displacement_cm3, "cylinders": cylinders, "target_rpm": target_rpm,
        "pulse_ms": pulse_ms, "rest_ms": rest_ms, "base": base, "travel_steps": travel_steps,
        "rpm_on_10_steps": rpm_on_10_steps, "map_kpa": map_kpa, "loads": loads,
        "feedback": feedback, "entry_form": entry_form,
    }  # fmt: skip
    if cooling not in ("water", "air"):
        raise sim.one_problem("--cooling", 1, "cooling", f'unknown ("{cooling}"), allowed: water, air')
    facts, assumed = _complete(given)
    screen.warn_of_compiling()
    known = _known(facts)
    car, notes = sim.estimate_car(**facts, name=name or out.stem, cooling=cooling, known=known)
    sim.save_car(car, out, notes, keep_old=True)
    _tell(screen, out, car, (len(notes), assumed, known.travel_steps is not None))
    screen.finish({"file": str(out), "estimated": sorted(notes), "assumed": assumed,
                   "travel_counted": known.travel_steps is not None})  # fmt: skip


def _tell(screen: Screen, out: Path, car: sim.Car, about: tuple[int, list[str], bool]) -> None:
    """What was written: how much is guessed, what was taken as usual, what comes next."""
    guessed, assumed, counted = about
    screen.say(f"{out} written: {guessed} of its numbers are guesses and say so.")
    for key in assumed:
        screen.say(f"  not given, so taken as usual: {key} = {USUAL[key]}")
    if not counted:
        screen.verdict(
            f"The valve's travel is a guess ({car.valve.travel_steps} steps): until it is counted"
            " nothing here may be tried on the car, as the valve may never reach its seat.",
            "warn",
        )
        screen.say(f"  {COUNTING} Then set travel_steps, homing_steps and travel_counted = true.")
    screen.verdict(f"Next: evenidle demo --car {out}, or step by step: evenidle check {out}")


def _known(facts: dict[str, Any]) -> Any:
    """What is known beyond the few facts, taken out of them."""
    values = {name: facts.pop(name, None) for name in OPTIONAL}
    values["map_kPa"] = values.pop("map_kpa")
    return sim.Known(**values)


def _complete(given: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Facts with those left out asked for at a terminal, else the usual ones."""
    facts: dict[str, Any] = {}
    assumed: list[str] = []
    problems: list[sim.Problem] = []
    for key in QUESTIONS:
        if given[key] is not None:
            try:
                facts[key] = _checked(key, given[key])
            except sim.InputError as error:
                problems += error.problems
    if problems:
        raise sim.InputError(problems)
    for key in (one for one in QUESTIONS if one not in facts):
        if sys.stdin.isatty():
            facts[key] = _asked(key)
        elif key in USUAL:
            facts[key] = _checked(key, USUAL[key])
            assumed.append(key)
        elif key not in OPTIONAL:
            option = "--" + key.replace("_", "-")
            problems.append(sim.Problem(option, 1, key, "missing, allowed: a number"))
    if problems:
        raise sim.InputError(problems)
    return facts, assumed


def _asked(key: str) -> Any:
    """Ask until the answer is one; an answer that is none is told at once, the others stay."""
    question, kind = QUESTIONS[key]
    default = "" if key in OPTIONAL else USUAL.get(key)
    while True:
        answer = typer.prompt(question, default=default, type=str if default == "" else kind,
                              err=True, show_default=default != "")  # fmt: skip
        if answer == "" and key in OPTIONAL:
            if key == "travel_steps":
                typer.echo(f"  {COUNTING}", err=True)
            return None
        try:
            return _checked(key, answer)
        except sim.InputError as error:
            for problem in error.problems:
                typer.echo(f"  {problem.key}: {problem.message}", err=True)


def _checked(key: str, value: Any) -> Any:
    """The fact as the estimate takes it, refused with what is allowed."""
    from sim import facts

    readers = {
        "base": facts.base_from_text, "loads": facts.loads_from_text,
        "feedback": facts.settings_from_text, "entry_form": facts.entry_from_text,
    }  # fmt: skip
    if key in readers:
        return readers[key](str(value))
    kind = QUESTIONS[key][1]
    low, high = LIMITS[key]
    option = "--" + key.replace("_", "-")
    try:
        number = kind(value)
    except ValueError:
        what = f'not a {"whole " if kind is int else ""}number ("{value}")'
        raise sim.one_problem(option, 1, key, f"{what}, allowed: {low:g} to {high:g}") from None
    if not low <= number <= high:
        message = f"out of range ({number:g}), allowed: {low:g} to {high:g}"
        raise sim.one_problem(option, 1, key, message)
    return number
