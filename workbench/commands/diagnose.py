"""``evenidle diagnose``: from a log alone, is it hunting and what drives it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import sim
import tuning
from workbench.commands.options import AsJson, Columns, OutFolder, Quiet, Seed
from workbench.output.printing import Screen
from workbench.output.results import read_logs, say_lines, write_figures


def diagnose(
    log: Annotated[Path, typer.Argument(metavar="LOG.csv", help="Recorded log.")],
    car: Annotated[
        str | None, typer.Option("--car", metavar="CAR.toml", help="Car file, if there is one.")
    ] = None,
    columns: Columns = None,
    out: OutFolder = None,
    seed: Seed = 0,  # noqa: ARG001 (every command takes it; nothing here is random)
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Tell from a log whether this is hunting, how large, how fast, and what drives it."""
    screen = Screen("diagnose", as_json, quiet)
    read_car = None if car is None else sim.load_car(car)
    (read,) = read_logs(screen, [log], columns)
    screen.warn_of_compiling()
    result = tuning.diagnose(read, read_car)
    screen.caution(read_car)
    say_lines(screen, result)
    files = []
    if out is not None:
        from workbench.figures.log import diagnosis_figure

        files = write_figures(screen, out, {"diagnosis": diagnosis_figure(read, result)})
    screen.finish({**result.to_dict(), "log": read.summary(), "files": files})
