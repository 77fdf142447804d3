"""``evenidle stress``: the settings against loads, starts, faults and weather."""

from __future__ import annotations

from typing import Annotated

import sim
import tuning
from workbench.commands.options import CarFile, Full, OutFolder, option
from workbench.output.drawing import Figure
from workbench.output.printing import Screen
from workbench.output.results import say_lines, write_figures


def stress(
    screen: Screen, seed: int, car: CarFile,
    suite: Annotated[str, option("--suite NAME", "standard, loads, weather or faults.")] = "standard",
    out: OutFolder = None, full: Full = False,
) -> None:  # fmt: skip
    """Try loads, starts, faults and weather on variations of your car."""
    read = sim.load_car(car)
    screen.warn_of_compiling()
    with screen.progress("stressing") as tell:
        result = tuning.stress(read, suite=suite, seed=seed, on_progress=tell)
    screen.caution(read)
    say_lines(screen, result, full)
    from workbench.figures.stress import matrix_figure, worst_figure

    def drawn() -> dict[str, Figure]:
        return {"stress-matrix": matrix_figure(result), "stress-worst": worst_figure(result)}

    files = write_figures(screen, out, drawn)
    flares = ("fail", "start_flare_rpm") in {(one.verdict, one.decided_by.measure) for one in result.cases}
    other = f"evenidle base {car} (starts flare)" if flares else f"evenidle tune {car} --out tuned.toml"
    screen.say(f"next: {f'evenidle sheet {car} --out sheet.pdf' if result.passed else other}")
    screen.finish({**result.to_dict(), "files": files}, bad=not result.passed)
