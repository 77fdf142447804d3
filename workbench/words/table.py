"""A table as words and numbers, for the terminal, the page and paper alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Table:
    """A table: headings, cells, and an r for each column to be set to the right."""

    columns: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    right: str = ""
