"""``evenidle explain``: why it hunts, or why it does not."""

from __future__ import annotations

from typing import Annotated

import typer

from workbench.options import AsJson, CarFile, Quiet, Seed
from workbench.printing import Screen


def explain(
    car: CarFile,
    rough: Annotated[
        bool, typer.Option("--rough", help="A coarser map, in a few seconds.")
    ] = False,
    seed: Seed = 0,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Say why it hunts, or why it does not: map, limit cycle, margins, one cycle told."""
    from sim import load_car
    from workbench.results import say_lines

    screen = Screen("explain", as_json, quiet)
    read = load_car(car)
    screen.warn_of_compiling()
    from tuning import explain as explain_car

    with screen.progress("explaining") as tell:
        result = explain_car(read, seed=seed, quick=rough, on_progress=tell)
    say_lines(screen, result)
    screen.finish({**result.to_dict()})
