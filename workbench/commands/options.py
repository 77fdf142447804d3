"""Options that several commands share, as annotated types."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON object on standard output and nothing else.")
]
Seed = Annotated[
    int,
    typer.Option(
        "--seed",
        metavar="N",
        min=0,
        max=2**31 - 1,
        help="Seed of all random numbers: the same seed gives the same numbers.",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress, and no more than the verdict.")]
Full = Annotated[bool, typer.Option("--full", help="All lines; else what matters most.")]
CarFile = Annotated[
    str, typer.Argument(metavar="CAR.toml", help="Car file, or the name of a bundled car: trials, twin, six.")
]
OutFolder = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Folder for the files it writes.")
]
Columns = Annotated[
    str | None,
    typer.Option(
        "--columns", metavar="TEXT", help='Columns by hand: "rpm=Engine Speed, map=Pressure [inHg]".'
    ),
]
