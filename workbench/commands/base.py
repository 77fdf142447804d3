"""``evenidle base``: proposals for the open-loop curves."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

import sim
import tuning
from workbench.commands.options import AsJson, CarFile, Columns, Full, OutFolder, Quiet, Seed
from workbench.output.drawing import Figure
from workbench.output.printing import Screen
from workbench.output.results import read_logs, say_lines, write_figures


def base(
    car: CarFile,
    logs: Annotated[
        list[Path] | None, typer.Argument(metavar="[LOG.csv...]", help="Recorded logs, if any.")
    ] = None,
    columns: Columns = None,
    out: OutFolder = None,
    full: Full = False,
    seed: Seed = 0,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Propose base, cranking and after-start curves, from logs or else from the model."""
    screen = Screen("base", as_json, quiet)
    read = sim.load_car(car)
    recorded = read_logs(screen, logs or [], columns)
    screen.warn_of_compiling()
    result: tuning.LoggedBase | tuning.BaseProposal
    result = tuning.base_from_logs(read, recorded) if recorded else tuning.base_from_model(read, seed=seed)
    screen.caution(read)
    say_lines(screen, result, full)
    if not _blocked(result):
        screen.say("To try them, these lines take the place of yours in [curves] of the car file:")
        for line in toml_lines(result):
            screen.say(line)
    files = []
    if out is not None:
        files = write_figures(screen, out, {"base": _figure(result)})
    screen.finish({**result.to_dict(), "files": files})


def _blocked(result: tuning.LoggedBase | tuning.BaseProposal) -> bool:
    """Whether the valve must be mended before any curve is tried."""
    return not isinstance(result, tuning.LoggedBase) and bool(result.valve_faults)


def toml_lines(result: tuning.LoggedBase | tuning.BaseProposal) -> list[str]:
    """The proposed curves as lines of a car file, a line a curve."""
    curves = {"base_steps": result.curve} if isinstance(result, tuning.LoggedBase) else result.curves()
    return [f"{key} = {_written(value)}" for key, value in curves.items()]


def _written(value: Any) -> str:
    """A number, or a curve's points, as a car file has them."""
    if isinstance(value, float):
        return f"{value:g}"
    return f"[{', '.join(f'[{degC:g}, {steps:g}]' for degC, steps in value)}]"


def _figure(result: tuning.LoggedBase | tuning.BaseProposal) -> Figure:
    from workbench.figures.start import logged_base_figure, proposal_figure

    if isinstance(result, tuning.LoggedBase):
        return logged_base_figure(result)
    return proposal_figure(result)
