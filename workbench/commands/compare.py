"""``evenidle compare``: predicted against recorded, after the try."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import sim
import tuning
from workbench.commands.options import CarFile, Columns, Full, OutFolder, argument
from workbench.output.printing import Screen
from workbench.output.results import read_logs, write_figures
from workbench.words.tables import predicted_and_recorded


def compare(
    screen: Screen, seed: int, car: CarFile,
    log: Annotated[Path, argument("LOG.csv", "Log recorded on the try.")], columns: Columns = None,
    out: OutFolder = None, full: Full = False,
) -> None:  # fmt: skip
    """Compare the prediction with a log, after the try on the car."""
    read_car = sim.load_car(car)
    (read,) = read_logs(screen, [log], columns, full, read_car)
    screen.warn_of_compiling()
    result = tuning.compare(read_car, read, seed=seed)
    screen.caution(read_car)
    table = predicted_and_recorded(result, full)
    if table.rows:
        screen.table(f"{read.file} beside what {read_car.name} should do", table)
    if left := len(result.rows) - len(table.rows):
        screen.say(f"... {left} as predicted, with --full; the margin is for what no model has")
    from workbench.figures.log import comparison_figure

    files = write_figures(screen, out, lambda: {"comparison": comparison_figure(result)})
    verdict, *lines = result.lines()
    screen.verdict(verdict, "pass" if result.agrees else "warn")
    for line in lines:
        screen.say(line)
    screen.finish({**result.to_dict(), "log": read.summary(), "files": files}, bad=not result.agrees)
