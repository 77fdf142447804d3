"""Tables as words and numbers, for the terminal, the page and paper alike."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import tuning
from workbench.words.wording import in_words

Row = TypeVar("Row")


def number(value: float | None, digits: int = 3) -> str:
    """Write a number short; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "-"
    if abs(value) >= 10.0**digits - 0.5:  # 999.7 is 1000, not 1e+03
        return f"{value:.0f}"
    return f"{value:.{digits}g}"


@dataclass(frozen=True)
class Table:
    """A table: headings, cells, and an r for each column to be set to the right."""

    columns: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    right: str = ""


def table_of(rows: Iterable[Row], columns: dict[str, Callable[[Row], str]], right: str) -> Table:
    """A table of what each column, by its heading, tells of each row."""
    cells = [[tell(row) for tell in columns.values()] for row in rows]
    return Table(tuple(columns), cells, right)


def predicted_and_recorded(result: tuning.Comparison) -> Table:
    """Table a comparison of what was predicted with what was recorded."""
    verdicts = {(True, True): "as predicted", (False, True): "just outside"}
    return table_of(
        result.rows,
        {
            "measure": lambda row: in_words(row.meaning),
            "predicted": lambda row: f"{row.predicted:.3g} {row.unit}",
            "8 of 10 runs": lambda row: f"{row.low:.3g} to {row.high:.3g}",
            "with margin": lambda row: f"{row.least:.3g} to {row.most:.3g}",
            "recorded": lambda row: f"{row.recorded:.3g}",
            "": lambda row: verdicts.get((row.inside, row.inside or row.agrees), "DIFFERS"),
        },
        " rrrr",
    )
