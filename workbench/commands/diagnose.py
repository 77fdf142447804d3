"""``evenidle diagnose``: from a log alone, is it hunting and what drives it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import sim
import tuning
from workbench.commands.options import Columns, Full, OutFolder, argument, option
from workbench.output.printing import Screen
from workbench.output.results import read_logs, write_figures


def diagnose(
    screen: Screen, log: Annotated[Path, argument("LOG.csv", "Recorded log.")],
    car: Annotated[str | None, option("--car CAR.toml", "Car file, if there is one.")] = None,
    columns: Columns = None, out: OutFolder = None, full: Full = False,
) -> None:  # fmt: skip
    """Tell from a log whether this is hunting, how large, how fast, and what drives it."""
    read_car = None if car is None else sim.load_car(car)
    (read,) = read_logs(screen, [log], columns, full, read_car)
    screen.warn_of_compiling()
    result = tuning.diagnose(read, read_car)
    screen.caution(read_car)
    verdict, *rest = result.lines()
    shown = [one for one in rest if full or one.code != "diagnosis.finding" or one["answer"] != "no"]
    screen.verdict(verdict)
    for line in shown:
        screen.say(line)
    if len(rest) > len(shown):
        screen.say(f"... {len(rest) - len(shown)} answered no, with --full")
    from workbench.figures.log import diagnosis_figure

    files = write_figures(screen, out, lambda: {"diagnosis": diagnosis_figure(read, result)})
    screen.finish({**result.to_dict(), "log": read.summary(), "files": files})
