"""``evenidle compare``: predicted against recorded, after the try."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from workbench.options import AsJson, CarFile, Columns, Quiet, Seed
from workbench.printing import Screen


def compare(
    car: CarFile,
    log: Annotated[Path, typer.Argument(metavar="LOG.csv", help="Log recorded on the try.")],
    columns: Columns = None,
    seed: Seed = 0,  # noqa: ARG001 (every command takes it; nothing here is random)
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Compare what was predicted with what was recorded, after the try on the car."""
    from sim import load_car
    from workbench.column_names import columns_from_text
    from workbench.results import say_lines

    screen = Screen("compare", as_json, quiet)
    read_car = load_car(car)
    from tuning import read_log

    read = read_log(log, columns_from_text(columns))
    screen.warn_of_compiling()
    from tuning import compare as compare_log

    result = compare_log(read_car, read)
    say_lines(screen, result)
    screen.finish(result.to_dict(), bad=not result.agrees)
