"""Options that several commands share, as annotated types, and those that every command has."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import Annotated, Any

import typer

from workbench.output.printing import Screen


def option(flag: str, told: str, **more: Any) -> Any:
    """An option by its flag, with what it is given as in the help behind it: ``--out DIR``."""
    name, _, metavar = flag.partition(" ")
    return typer.Option(name, metavar=metavar or None, help=told, **more)


def argument(metavar: str, told: str) -> Any:
    """An argument by what it is called in the help."""
    return typer.Argument(metavar=metavar, help=told)


SEEDED = "Seed of all random numbers: the same seed gives the same numbers."
AsJson = Annotated[bool, option("--json", "Print one JSON object on standard output and nothing else.")]
Seed = Annotated[int, option("--seed N", SEEDED, min=0, max=2**31 - 1)]
Quiet = Annotated[bool, option("--quiet", "No progress, and no more than the verdict.")]
Full = Annotated[bool, option("--full", "All lines; else what matters most.")]
CarFile = Annotated[str, argument("CAR.toml", "Car file, or the name of a bundled car: trials, twin, six.")]
ONE_LAW = "This law only, where the controller has no other: pi, pid, nudge or pi_park."
Law = Annotated[str | None, option("--law NAME", ONE_LAW)]
OutFolder = Annotated[Path | None, option("--out DIR", "Folder for the files it writes.")]
BY_HAND = 'Columns by hand: "rpm=Engine Speed, map=Pressure [inHg]"; log_columns in a car file keeps it.'
Columns = Annotated[str | None, option("--columns TEXT", BY_HAND)]
EVERYWHERE = (("seed", Seed, 0), ("as_json", AsJson, False), ("quiet", Quiet, False))


def with_screen(command: Callable[..., None]) -> Callable[..., None]:
    """Offer a command with the options that all have; it is called with a screen, and the seed if it asks."""
    own = signature(command, eval_str=True).parameters

    @wraps(command)
    def run(*, seed: int, as_json: bool, quiet: bool, **given: Any) -> None:
        if "seed" in own:
            given["seed"] = seed
        command(Screen(command.__name__, as_json, quiet), **given)

    named = Parameter.KEYWORD_ONLY
    asked = [one.replace(kind=named) for key, one in own.items() if key not in ("screen", "seed")]
    asked += [Parameter(key, named, default=value, annotation=kind) for key, kind, value in EVERYWHERE]
    run.__signature__ = Signature(asked)  # type: ignore[attr-defined] # where typer looks
    run.__annotations__ = {one.name: one.annotation for one in asked}
    return run
