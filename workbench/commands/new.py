"""``evenidle new``: a commented car file from a few facts."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

import sim
from workbench.commands.options import argument, option
from workbench.output.printing import Screen
from workbench.output.results import check_place
from workbench.words.facts import COUNTING, FACTS, checked, completed, estimated, usual


def _option(key: str, *flags: str) -> Any:
    return typer.Option(*flags, metavar=FACTS[key].metavar, help=FACTS[key].help)


def new(
    screen: Screen,
    out: Annotated[Path, argument("CAR.toml", "File to write.")],
    displacement_cm3: Annotated[float | None, _option("displacement_cm3")] = None,
    cylinders: Annotated[int | None, _option("cylinders")] = None,
    target_rpm: Annotated[float | None, _option("target_rpm")] = None,
    pulse_ms: Annotated[float | None, _option("pulse_ms")] = None,
    rest_ms: Annotated[float | None, _option("rest_ms")] = None,
    base: Annotated[str | None, _option("base")] = None,
    travel_steps: Annotated[int | None, _option("travel_steps")] = None,
    rpm_on_10_steps: Annotated[float | None, _option("rpm_on_10_steps")] = None,
    map_kpa: Annotated[float | None, _option("map_kpa", "--map-kPa")] = None,
    loads: Annotated[str | None, _option("loads")] = None,
    feedback: Annotated[str | None, _option("feedback")] = None,
    entry_form: Annotated[str | None, _option("entry_form")] = None,
    name: Annotated[str | None, typer.Option(help="What the car is called.")] = None,
    cooling: Annotated[str, typer.Option(help="water or air.")] = "water",
    force: Annotated[bool, option("--force", "Replace a file that is there; it is kept as .bak.")] = False,
) -> None:
    """Write a car file from a few facts; the rest is estimated. Each estimate is marked so."""
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
    facts, assumed = completed(given, _asked if sys.stdin.isatty() else None)
    screen.warn_of_compiling()
    car, notes = estimated(facts, name or out.stem, cooling)
    sim.save_car(car, out, notes, keep_old=True)
    counted = car.valve.travel_counted
    told = [f"{FACTS[key].question.partition(',')[0]}: {usual(key, facts)}" for key in assumed]
    _tell(screen, out, car, (len(notes), told, counted))
    screen.finish({"file": str(out), "estimated": sorted(notes), "assumed": assumed,
                   "travel_counted": counted})  # fmt: skip


def _tell(screen: Screen, out: Path, car: sim.Car, about: tuple[int, list[str], bool]) -> None:
    guessed, assumed, counted = about
    screen.say(f"{out} written: {guessed} of its numbers are guesses and say so.")
    for one in assumed:
        screen.say(f"  not given, so taken as usual: {one}")
    if not counted:
        screen.caution()
        screen.verdict(
            f"The valve's travel is a guess ({car.valve.travel_steps} steps): until it is counted"
            " nothing here may be tried on the car, as the valve may never reach its seat.",
            "warn",
        )
        screen.say(f"  {COUNTING} Then set travel_steps, homing_steps and travel_counted = true.")
    screen.verdict(f"Next: evenidle demo --car {out}, or step by step: evenidle check {out}")


def _asked(key: str, taken: Any) -> Any:
    """Ask until the answer is one; an answer that is none is told at once, the others stay."""
    fact = FACTS[key]
    default = "" if fact.optional else taken
    while True:
        answer = typer.prompt(fact.question, default=default, type=str, err=True, show_default=default != "")
        if answer == "" and fact.optional:
            if key == "travel_steps":
                typer.echo(f"  {COUNTING}", err=True)
            return None
        try:
            return checked(key, answer)
        except sim.InputError as error:
            for problem in error.problems:
                typer.echo(f"  {problem.key}: {problem.message}", err=True)
