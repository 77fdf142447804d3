"""``evenidle new``: a commented car file from a few facts."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import typer

import sim
from workbench.output.printing import Screen
from workbench.output.results import check_place

COUNTING = (
    "To count the travel: engine off, feedback off, hose off the valve or the valve on the bench,"
    " key on. Command it closed until it only ticks, then open step by step (never by hand while"
    " powered) until it ticks again: the steps between are its travel. A data sheet does as well."
)


@dataclass(frozen=True)
class Fact:
    """What is asked of the car: at a terminal, by an option, and what may be answered."""

    question: str
    help: str
    kind: type = str
    limits: tuple[float, float] | None = None
    usual: float | str | None = None
    optional: bool = False  # may be left empty: the file then says that it is estimated
    metavar: str = "N"
    reader: str = ""  # of ``sim.facts``
    within: tuple[str, str] = ("", "")  # table of the car file that bounds it, and its key or all of them


FACTS = {
    "displacement_cm3": Fact(
        "Swept volume of all cylinders together [cm3]", "Swept volume of all cylinders [cm3].",
        float, (50.0, 10_000.0),
    ),
    "cylinders": Fact("Number of cylinders", "How many.", int, (1, 12)),
    "target_rpm": Fact(
        "Idle speed wanted when warm [rpm]", "Idle speed wanted when warm [rpm].",
        float, (350.0, 3000.0), 900.0,
    ),
    "travel_steps": Fact(
        "Full travel of the valve, counted [steps]; fine valves have 180 to 250, coarse ones 100 to 125;"
        " empty: not counted yet",
        "Full travel of the valve, counted [steps].", int, (5, 400), optional=True,
    ),
    "pulse_ms": Fact(
        "Coil pulse of one valve step [ms]", "Coil pulse of one valve step [ms].", float, (0.2, 50.0), 4.0
    ),
    "rest_ms": Fact("Rest after each pulse [ms]", "Rest after each pulse [ms].", float, (0.0, 50.0), 1.0),
    "base": Fact(
        "Base curve it idles on now, degC:steps,degC:steps,...", "Base curve it idles on now.",
        usual="0:120,30:75,50:50,65:38,80:30", metavar='"degC:steps,..."', reader="base_from_text",
        within=("curves", "base_steps"),
    ),
    "rpm_on_10_steps": Fact(
        "Warm, feedback off: rpm gained by 10 steps more; empty: not known",
        "Warm: rpm gained by 10 steps more.", float, (5.0, 600.0), optional=True,
    ),
    "map_kpa": Fact(
        "Manifold pressure at warm idle [kPa]; empty: not known", "Manifold pressure at warm idle [kPa].",
        float, (15.0, 90.0), optional=True,
    ),
    "loads": Fact(
        "Loads fitted, of: lamps, fan, screen, steering, aircon, automatic",
        "Loads fitted, with watts or N m where known: lamps, fan, screen, steering, aircon, automatic; or"
        " none.",
        optional=True, metavar='"lamps:150,fan,..."', reader="loads_from_text", within=("loads", ""),
    ),
    "feedback": Fact(
        "Present feedback, such as gain=2, integral=1, deadband=30, min_move=1, period=200, trim_low=-15,"
        " trim_high=15; empty: none yet",
        "Present feedback: law, gain, integral, derivative, deadband, min_move, period, trim_low, trim_high;"
        " in steps, per 100 rpm, per second.",
        optional=True, metavar='"gain=2,..."', reader="settings_from_text", within=("feedback", ""),
    ),
    "entry_form": Fact(
        "How the controller wants gains, such as unit=percent_of_travel, time=per_update, per_rpm=1, sign=-1,"
        " finest=0.001 (finest step of a gain); empty: steps per 100 rpm, per second",
        "How the controller wants its numbers: unit (steps, percent_of_travel, duty_percent), time"
        " (per_second, per_update), per_rpm, sign, finest (step of a gain).",
        optional=True, metavar='"unit=...,..."', reader="entry_from_text", within=("entry_form", ""),
    ),
}  # fmt: skip
"""What is usual is taken where a fact is not given and cannot be asked for; the file says so."""


def _option(key: str, *flags: str) -> Any:
    return typer.Option(*flags, metavar=FACTS[key].metavar, help=FACTS[key].help)


def new(
    screen: Screen,
    out: Annotated[Path, typer.Argument(metavar="CAR.toml", help="File to write.")],
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
    force: Annotated[
        bool, typer.Option("--force", help="Replace a file that is there; it is kept as .bak.")
    ] = False,
) -> None:
    """Write a commented car file from a few facts; the rest is estimated and marked so."""
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
    guessed, assumed, counted = about
    screen.say(f"{out} written: {guessed} of its numbers are guesses and say so.")
    for key in assumed:
        screen.say(f"  not given, so taken as usual: {key} = {FACTS[key].usual}")
    if not counted:
        screen.caution()
        screen.verdict(
            f"The valve's travel is a guess ({car.valve.travel_steps} steps): until it is counted"
            " nothing here may be tried on the car, as the valve may never reach its seat.",
            "warn",
        )
        screen.say(f"  {COUNTING} Then set travel_steps, homing_steps and travel_counted = true.")
    screen.verdict(f"Next: evenidle demo --car {out}, or step by step: evenidle check {out}")


def _known(facts: dict[str, Any]) -> Any:
    values = {name: facts.pop(name, None) for name, fact in FACTS.items() if fact.optional}
    values["map_kPa"] = values.pop("map_kpa")
    return sim.Known(**values)


def _complete(given: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Facts with those left out asked for at a terminal, else the usual ones."""
    facts: dict[str, Any] = {}
    assumed: list[str] = []
    problems: list[sim.Problem] = []
    for key in (one for one in FACTS if given[one] is not None):
        try:
            facts[key] = _checked(key, given[key])
        except sim.InputError as error:
            problems += error.problems
    if problems:
        raise sim.InputError(problems)
    for key in (one for one in FACTS if one not in facts):
        if sys.stdin.isatty():
            facts[key] = _asked(key)
        elif FACTS[key].usual is not None:
            facts[key] = _checked(key, FACTS[key].usual)
            assumed.append(key)
        elif not FACTS[key].optional:
            problems.append(sim.Problem(_flag(key), 1, key, "missing, allowed: a number"))
    if problems:
        raise sim.InputError(problems)
    return facts, assumed


def _flag(key: str) -> str:
    return "--" + key.replace("_", "-")


def _asked(key: str) -> Any:
    """Ask until the answer is one; an answer that is none is told at once, the others stay."""
    fact = FACTS[key]
    default = "" if fact.optional else fact.usual
    while True:
        answer = typer.prompt(fact.question, default=default, type=str, err=True, show_default=default != "")
        if answer == "" and fact.optional:
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

    fact = FACTS[key]
    if fact.limits is None:
        return _within(key, getattr(facts, fact.reader)(str(value)))
    low, high = fact.limits
    try:
        number = fact.kind(value)
    except ValueError:
        what = f'not a {"whole " if fact.kind is int else ""}number ("{value}")'
        raise sim.one_problem(_flag(key), 1, key, f"{what}, allowed: {low:g} to {high:g}") from None
    if not low <= number <= high:
        message = f"out of range ({number:g}), allowed: {low:g} to {high:g}"
        raise sim.one_problem(_flag(key), 1, key, message)
    return number


def _within(key: str, value: Any) -> Any:
    """The fact, refused where no car file may have it, whatever else is in that file."""
    table, name = FACTS[key].within
    try:
        sim.with_values(sim.load_car(sim.bundled_cars()[0]), {table: {name: value} if name else value})
    except sim.InputError as error:
        raise sim.InputError(replace(one, file=_flag(key)) for one in error.problems) from None
    return value
