"""``evenidle new``: a commented car file from a few facts."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from workbench.commands.options import AsJson, Quiet, Seed
from workbench.output.printing import Screen

QUESTIONS = {
    "displacement_cm3": ("Swept volume of all cylinders together [cm3]", float),
    "cylinders": ("Number of cylinders", int),
    "target_rpm": ("Idle speed wanted when warm [rpm]", float),
    "pulse_ms": ("Coil pulse of one valve step [ms]", float),
    "rest_ms": ("Rest after each pulse [ms]", float),
    "base": ("Base curve, degC:steps,degC:steps,...", str),
}
USUAL: dict[str, float | str] = {
    "target_rpm": 900.0,
    "pulse_ms": 4.0,
    "rest_ms": 1.0,
    "base": "0:50,30:30,50:20,65:14,80:12",
}
"""Taken where a fact is not given and cannot be asked for; the file says so."""


def new(
    out: Annotated[Path, typer.Argument(metavar="CAR.toml", help="File to write.")],
    displacement_cm3: Annotated[
        float | None, typer.Option(metavar="N", help="Swept volume of all cylinders [cm3].")
    ] = None,
    cylinders: Annotated[int | None, typer.Option(metavar="N", help="How many.")] = None,
    target_rpm: Annotated[
        float | None, typer.Option(metavar="N", help="Idle speed wanted when warm [rpm].")
    ] = None,
    pulse_ms: Annotated[
        float | None, typer.Option(metavar="N", help="Coil pulse of one valve step [ms].")
    ] = None,
    rest_ms: Annotated[
        float | None, typer.Option(metavar="N", help="Rest after each pulse [ms].")
    ] = None,
    base: Annotated[
        str | None, typer.Option(metavar='"degC:steps,..."', help="Base curve it idles on now.")
    ] = None,
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
    from sim import save_car
    from sim.estimates import base_from_text, estimate_car
    from sim.files import one_problem

    screen = Screen("new", as_json, quiet)
    if out.exists() and not force:
        message = "is there already, allowed: a new name, or --force (the old one is kept as .bak)"
        raise one_problem(out, 1, "file", message)
    given = {
        "displacement_cm3": displacement_cm3, "cylinders": cylinders, "target_rpm": target_rpm,
        "pulse_ms": pulse_ms, "rest_ms": rest_ms, "base": base,
    }  # fmt: skip
    facts, assumed = _complete(given)
    if cooling not in ("water", "air"):
        raise one_problem("--cooling", 1, "cooling", f'unknown ("{cooling}"), allowed: water, air')
    screen.warn_of_compiling()
    facts["base"] = base_from_text(facts["base"])
    car, notes = estimate_car(**facts, name=name or out.stem, cooling=cooling)
    save_car(car, out, notes, keep_old=True)
    screen.say(f"{out} written: {len(notes)} of its numbers are estimated and say so.")
    for key in assumed:
        screen.say(f"  not given, so taken as usual: {key} = {USUAL[key]}")
    screen.verdict(f"Next: evenidle check {out}")
    screen.finish({"file": str(out), "estimated": sorted(notes), "assumed": assumed})


def _complete(given: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Facts with those left out asked for at a terminal, else the usual ones."""
    from sim import InputError, Problem

    facts = {key: value for key, value in given.items() if value is not None}
    assumed: list[str] = []
    problems = []
    for key, (question, kind) in QUESTIONS.items():
        if key in facts:
            continue
        if sys.stdin.isatty():
            facts[key] = typer.prompt(question, default=USUAL.get(key), type=kind, err=True)
        elif key in USUAL:
            facts[key] = USUAL[key]
            assumed.append(key)
        else:
            option = "--" + key.replace("_", "-")
            problems.append(Problem(option, 1, key, "missing, allowed: a number"))
    if problems:
        raise InputError(problems)
    return facts, assumed
