"""``evenidle tune``: a search for feedback settings."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from workbench.commands.options import AsJson, CarFile, Quiet, Seed
from workbench.output.printing import Screen


class Budget(StrEnum):
    """How long to search."""

    QUICK = "quick"
    NORMAL = "normal"
    DEEP = "deep"


def tune(
    car: CarFile,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="TUNED.toml", help="Car file to write.")
    ] = None,
    law: Annotated[
        str | None, typer.Option("--law", metavar="NAME", help="Search this law only.")
    ] = None,
    budget: Annotated[Budget, typer.Option("--budget", help="How long.")] = Budget.NORMAL,
    storage: Annotated[
        str | None,
        typer.Option("--storage", metavar="URL", help="Keep the study in this file or database."),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with the study kept there.")
    ] = False,
    preset: Annotated[
        str, typer.Option("--preset", metavar="NAME", help="What counts: balanced, quiet, quick...")
    ] = "balanced",
    seed: Seed = 0,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Search feedback settings over all plausible cars; the base curve is left alone."""
    from sim import load_car, save_car
    from sim.files import one_problem
    from workbench.output.results import check_place
    from workbench.words.search import (
        COMPARED_COLUMNS,
        changed_rows,
        compared_rows,
        tune_finding,
        tune_notes,
    )

    screen = Screen("tune", as_json, quiet)
    if out is None and not as_json:
        raise one_problem("--out", 1, "out", "missing, allowed: a car file to write")
    read = load_car(car)
    check_place(out)
    screen.warn_of_compiling()
    from tuning import tune as tune_car

    with screen.progress("searching") as tell:
        result = tune_car(
            read, law=law, budget=budget.value, seed=seed, storage=storage, resume=resume,
            preset=preset, on_progress=tell,
        )  # fmt: skip
    if out is not None:
        save_car(result.car, out, keep_old=True)
    screen.table("What it brings", COMPARED_COLUMNS, compared_rows(result), right=" rr")
    screen.table("Settings changed", ["setting", "now", "found"], changed_rows(read, result), " rr")
    for note in tune_notes(result):
        screen.say(note)
    screen.verdict(tune_finding(result))
    if out is not None:
        screen.say(f"written: {out}")
    screen.finish({**result.to_dict(), "file": None if out is None else str(out)})
