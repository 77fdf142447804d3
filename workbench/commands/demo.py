"""``evenidle demo``: the whole job on a bundled car and its bundled log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from workbench.commands.options import AsJson, Quiet, Seed
from workbench.output.printing import Screen


def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for everything it writes.")
    ] = Path("evenidle-demo"),
    seed: Seed = 0,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Do the whole job on a bundled car: fit, explain, tune, stress, sheet, report."""
    from workbench.output.results import made_folder

    screen = Screen("demo", as_json, quiet)
    made_folder(out)
    screen.warn_of_compiling()
    from workbench.commands.demo_job import run_demo

    screen.finish(run_demo(screen, out, seed))
