"""What is asked of an owner without a car file, and what may be answered: terminal and page ask alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import sim

COUNTING = (
    "To count the travel: engine off, feedback off, hose off the valve or the valve on the bench,"
    " key on. Command it closed until it only clicks, then open step by step (never by hand while"
    " powered) until it clicks again: the steps between are its travel. A data sheet does as well."
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
        "Base curve it idles on now [degC:steps], pairs with commas between", "Base curve it idles on now.",
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


def flag(key: str) -> str:
    """The option that gives a fact."""
    return "--" + key.replace("_", "-")


def usual(key: str, facts: Mapping[str, Any]) -> float | str | None:
    """What is taken for a fact that is not given: of a base curve, what fits the travel that was counted."""
    told, travel_steps = FACTS[key].usual, facts.get("travel_steps") or sim.FINE_TRAVEL_steps
    if key != "base" or travel_steps >= sim.FINE_TRAVEL_steps:
        return told
    pairs = ((at, steps * travel_steps / sim.FINE_TRAVEL_steps) for at, steps in checked(key, told))
    return ",".join(f"{at:g}:{steps:.0f}" for at, steps in pairs)


def completed(
    given: Mapping[str, Any], ask: Callable[[str, Any], Any] | None = None
) -> tuple[dict[str, Any], list[str]]:
    """Facts checked, and names of those that nobody gave: these are asked for, or the usual ones taken.

    ``given`` has answers by the names in `FACTS`; ``ask`` hears a name and what is usual.
    """
    facts: dict[str, Any] = {}
    assumed: list[str] = []
    problems: list[sim.Problem] = []
    for key in (one for one in FACTS if given.get(one) is not None):
        try:
            facts[key] = checked(key, given[key])
        except sim.InputError as error:
            problems += error.problems
    if problems and ask is not None:
        raise sim.InputError(problems)
    for key in (one for one in FACTS if given.get(one) is None):
        if ask is not None:
            facts[key] = ask(key, usual(key, facts))
        elif FACTS[key].usual is not None:
            facts[key] = checked(key, usual(key, facts))
            assumed.append(key)
        elif not FACTS[key].optional:
            problems.append(sim.Problem(flag(key), 1, key, "missing, allowed: a number"))
    travel, base = facts.get("travel_steps"), facts.get("base")
    if ask is None and travel and base and (most := max(steps for _, steps in base)) > travel:
        told = f"beyond the valve's travel ({most:g} steps), allowed: up to {travel:g}"
        problems.append(sim.Problem(flag("base"), 1, "base", told))
    if problems:
        raise sim.InputError(problems)
    return facts, assumed


def estimated(facts: Mapping[str, Any], name: str, cooling: str) -> tuple[sim.Car, dict[str, str]]:
    """The car that facts describe, and by key of its file why it is what it is."""
    values = {key: value for key, value in facts.items() if not FACTS[key].optional}
    known = {key: facts.get(key) for key, fact in FACTS.items() if fact.optional}
    known["map_kPa"] = known.pop("map_kpa")
    return sim.estimate_car(**values, name=name, cooling=cooling, known=sim.Known(**known))


def checked(key: str, value: Any) -> Any:
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
        raise sim.one_problem(flag(key), 1, key, f"{what}, allowed: {low:g} to {high:g}") from None
    if not low <= number <= high:
        # By way of its text, as a whole number of hundreds of digits is no float.
        message = f"out of range ({float(str(number)):g}), allowed: {low:g} to {high:g}"
        raise sim.one_problem(flag(key), 1, key, message)
    return number


def _within(key: str, value: Any) -> Any:
    """The fact, refused where no car file may have it, whatever else is in that file."""
    table, name = FACTS[key].within
    try:
        sim.with_values(sim.load_car(sim.bundled_cars()[0]), {table: {name: value} if name else value})
    except sim.InputError as error:
        raise sim.InputError(replace(one, file=flag(key)) for one in error.problems) from None
    return value
