"""``evenidle diagnose``: from a log alone, is it hunting and what drives it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import sim
import tuning
from workbench.commands.options import Columns, OutFolder
from workbench.output.printing import Screen
from workbench.output.results import read_logs, say_lines, write_figures


def diagnose(
    screen: Screen,
    log: Annotated[Path, typer.Argument(metavar="LOG.csv", help="Recorded log.")],
    car: Annotated[
        str | None, typer.Option("--car", metavar="CAR.toml", help="Car file, if there is one.")
    ] = None,
    columns: Columns = None,
    out: OutFolder = None,
) -> None:
    """Tell from a log whether this is hunting, how large, how fast, and what drives it."""
    read_car = None if car is None else sim.load_car(car)
    (read,) = read_logs(screen, [log], columns)
    screen.warn_of_compiling()
    result = tuning.diagnose(read, read_car)
    screen.caution(read_car)
    say_lines(screen, result)
    from workbench.figures.log import diagnosis_figure

    files = write_figures(screen, out, lambda: {"diagnosis": diagnosis_figure(read, result)})
    screen.finish({**result.to_dict(), "log": read.summary(), "files": files})
