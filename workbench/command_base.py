"""``evenidle base``: proposals for the open-loop curves."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from workbench.options import AsJson, CarFile, Columns, Quiet, Seed
from workbench.printing import Screen


def base(
    car: CarFile,
    logs: Annotated[
        list[Path] | None, typer.Argument(metavar="[LOG.csv...]", help="Recorded logs, if any.")
    ] = None,
    columns: Columns = None,
    seed: Seed = 0,  # noqa: ARG001 (every command takes it; nothing here is random)
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Propose base, cranking and after-start curves, from logs or else from the model."""
    from sim import load_car
    from workbench.column_names import columns_from_text
    from workbench.results import say_lines

    screen = Screen("base", as_json, quiet)
    read = load_car(car)
    screen.warn_of_compiling()
    from tuning import base_from_logs, base_from_model, read_log

    if logs:
        wanted = columns_from_text(columns)
        result = base_from_logs(read, [read_log(log, wanted) for log in logs])
    else:
        result = base_from_model(read)
    say_lines(screen, result)
    screen.finish(result.to_dict())
