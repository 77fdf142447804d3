"""``evenidle diagnose``: from a log alone, is it hunting and what drives it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import sim
import tuning
from workbench.commands.options import Columns, Full, OutFolder, argument, option
from workbench.output.printing import Screen
from workbench.output.results import read_logs, write_figures
from workbench.words.wording import in_words

MOST_UNKNOWN = 2  # More questions that a log leaves open are told together.


def diagnose(
    screen: Screen, log: Annotated[Path, argument("LOG.csv", "Recorded log.")],
    car: Annotated[str | None, option("--car CAR.toml", "Car file, if there is one.")] = None,
    columns: Columns = None, out: OutFolder = None, full: Full = False,
) -> None:  # fmt: skip
    """Tell from a log whether it hunts, how much, how fast and why."""
    read_car = None if car is None else sim.load_car(car)
    (read,) = read_logs(screen, [log], columns, full, read_car)
    screen.warn_of_compiling()
    result = tuning.diagnose(read, read_car)
    screen.caution(read_car)
    verdict, *rest = result.lines()
    shown = [one for one in rest if full or one.code != "diagnosis.finding" or one["answer"] != "no"]
    screen.verdict(verdict)
    from workbench.figures.log import diagnosis_figure

    files = write_figures(screen, out, lambda: {"diagnosis": diagnosis_figure(read, result)})
    if len(rest) > len(shown):
        screen.say(f"... {len(rest) - len(shown)} answered no, with --full")
    unknown = [] if full else [one for one in shown if one.code == "diagnosis.open_question"]
    together = unknown if len(unknown) > MOST_UNKNOWN else []
    for line in shown:
        if line not in together:
            told = in_words(line).replace("CAR.toml", car or "CAR.toml")
            screen.say(told.replace("LOG.csv", str(log)))
        elif line is together[0]:
            names = ", ".join(str(one["name"]) for one in together)
            screen.say(f"This log cannot tell: {names}; what would, with --full.")
    screen.finish({**result.to_dict(), "log": read.summary(), "files": files})
