"""Finds the table in a text: its delimiter, header, units row, first row and decimal sign.

It keeps the delimiter under which most cells are numbers, and can say why it failed.
"""

from __future__ import annotations

import csv
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from sim.errors import InputError
from sim.files import one_problem
from tuning.logs import units as _log_units
from tuning.logs.names import count_names
from tuning.logs.text import Text, one_line

DELIMITERS = (",", ";", "\t")
_SAMPLE_BYTES = 1 << 17
_SAMPLE_LINES = 600
_RUN_WANTED = 3
_LONGEST_NAME = 80

MISSING_WORDS = frozenset(
    {"", "-", "--", "---", "nan", "na", "n/a", "#n/a", "<na>", "null", "none", "nil", "?", "nd"}
)
_NUMBER = re.compile(
    r"[+\-−]?(\d+([.,]\d*)?|\d{1,3}((,\d{3})+(\.\d*)?|(\.\d{3})+(,\d*)?)|[.,]\d+)([eE][+-]?\d+)?"
)
_GROUPED = re.compile(r"[+\-−]?[1-9]\d{0,2}([.,]\d{3})+")
_CLOCK = re.compile(r"\d{1,4}:\d{1,2}(:\d{1,2})?([.,]\d*)?( ?[aApP]\.?[mM]\.?)?")
MONTH_DATE = re.compile(
    r"(?:[a-z]{2,}[.,]* )?(\d{1,2})[-/. ]+([a-zéäû]{3})[a-zéûä]*[-/. ,]+(\d{4}|\d{2})[ T]+(\d{1,2}:.*)",
    re.IGNORECASE,
)
"""Day, the month's name, year and clock, after the weekday or without."""
_DATE = re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}([T ]+\d{1,2}:\d{1,2}.*)?")


@dataclass(frozen=True)
class Layout:
    """Where a table stands in a text (lines from 1) and how it is written."""

    delimiter: str
    decimal: str
    thousands: str | None
    headers: tuple[str, ...]
    units: tuple[str, ...]
    header_line: int
    first_line: int
    width: int
    first_rows: tuple[tuple[str, ...], ...]
    head_lines: tuple[str, ...]
    notes: tuple[str, ...]


def find_table(text: Text) -> Layout:
    """Find the table in a text."""
    lines = _sample(text.data)
    sketches = [sketch for sketch in (_sketch(lines, d) for d in DELIMITERS) if sketch is not None]
    if not sketches:
        raise _no_rows(text.file, lines)
    best = max(sketches, key=lambda sketch: sketch.score)
    if best.header is None:
        raise _no_header(text.file, best)
    rows = [cells for cells in best.rows if len(cells) >= best.width]
    decimal, thousands = _signs(rows, best.delimiter, text.data)
    units, units_at = _units_row(best)
    return Layout(
        delimiter=best.delimiter, decimal=decimal, thousands=thousands,
        headers=tuple(one_line(name, _LONGEST_NAME) for name in best.header), units=tuple(units),
        header_line=best.header_at + 1, first_line=best.first_at + 1, width=best.width,
        first_rows=tuple(tuple(row) for row in best.rows),
        head_lines=tuple(lines[at] for at in (best.header_at, units_at) if at >= 0),
        notes=tuple(_layout_notes(best, units_at)),
    )  # fmt: skip


def split(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line, quotes taken off, blanks around cells taken off."""
    try:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)
    return [cell.strip() for cell in cells]


def is_comment(line: str, delimiter: str) -> bool:
    """Tell whether a line is a comment: it begins with #, %, // or, if it is no delimiter, ;."""
    start = line.lstrip().lstrip('"')
    return start.startswith(("#", "%", "//")) or (delimiter != ";" and start.startswith(";"))


def is_number(cell: str) -> bool:
    """Tell whether a cell is written as a number."""
    return _NUMBER.fullmatch(cell) is not None


def is_time(cell: str) -> bool:
    """Tell whether a cell is written as a clock time or a date with time."""
    return any(form.fullmatch(cell) is not None for form in (_CLOCK, _DATE, MONTH_DATE))


@dataclass
class _Sketch:
    """One delimiter tried."""

    delimiter: str
    width: int
    first_at: int
    rows: list[list[str]]
    above: list[tuple[int, list[str]]]
    score: tuple[bool, float, int]
    header: list[str] | None = None
    header_at: int = -1


def _sample(data: bytes) -> list[str]:
    head = data[:_SAMPLE_BYTES]
    if len(data) > _SAMPLE_BYTES and b"\n" in head:
        head = head[: head.rindex(b"\n")]
    return head.decode("utf-8", errors="replace").split("\n")[:_SAMPLE_LINES]


def _sketch(lines: Sequence[str], delimiter: str) -> _Sketch | None:
    """Find the first run of rows of numbers under one delimiter; None when there is none."""
    cells = [[] if is_comment(line, delimiter) else split(line, delimiter) for line in lines]
    filled = [at for at, row in enumerate(cells) if any(row)]
    widths = [_width(row) for row in cells]
    best: tuple[int, int] | None = None
    for place, at in enumerate(filled):
        if not _is_row(cells[at]):
            continue
        run = 0
        for after in filled[place : place + _RUN_WANTED]:
            run += _is_row(cells[after]) and abs(widths[after] - widths[at]) <= 1
        if best is None or run > best[0]:
            best = run, at
        if run == _RUN_WANTED:
            break
    if best is None:
        return None
    first = best[1]
    rows = [cells[at] for at in filled if at >= first][:200]
    above = [(at, cells[at]) for at in filled if at < first]
    width = statistics.mode(_width(row) for row in rows)
    sketch = _Sketch(delimiter, width, first, rows, above, (False, 0.0, 0))
    _find_header(sketch, lines)
    written = [cell for row in rows[:20] for cell in row if cell]
    share = sum(map(_is_cell, written)) / max(1, len(written))
    sketch.score = (sketch.header is not None, round(share, 2), width)
    return sketch


def _width(row: Sequence[str]) -> int:
    """Return the number of cells, one empty cell after a trailing delimiter not counted."""
    return len(row) - 1 if len(row) > 1 and not row[-1] else len(row)


def _is_cell(cell: str) -> bool:
    return is_number(cell) or is_time(cell)


def _is_row(row: Sequence[str]) -> bool:
    """Tell whether cells are a sample: two numbers, or one and nothing else but empty cells."""
    numbers = sum(_is_cell(cell) for cell in row)
    filled = sum(cell.lower() not in MISSING_WORDS for cell in row)
    return len(row) >= 2 and (numbers >= 2 or numbers == filled == 1)


def _find_header(sketch: _Sketch, lines: Sequence[str]) -> None:
    """Take for header the line above the rows, as wide as they, that holds most known names."""
    fitting = [(at, row) for at, row in sketch.above if _fits(row, sketch)]
    if not fitting:
        hidden = [
            (at, split(line.lstrip().lstrip("#%/; "), sketch.delimiter))
            for at, line in enumerate(lines[: sketch.first_at])
            if is_comment(line, sketch.delimiter)
        ]
        fitting = [(at, row) for at, row in hidden[-3:] if _fits(row, sketch)]
    if not fitting:
        return
    at, row = max(fitting, key=lambda pair: (count_names(pair[1]), -pair[0]))
    filled = max(place for place, cell in enumerate(row) if cell) + 1
    names = row[: max(filled, min(sketch.width, len(row)))]
    # Columns without a name are kept in place, so that the others keep theirs.
    sketch.width = max(sketch.width, filled)
    sketch.header = [*names, *[""] * (sketch.width - len(names))]
    sketch.header_at = at


def _fits(row: Sequence[str], sketch: _Sketch) -> bool:
    """Tell whether a line can be the header: text, and as many names as the rows have cells."""
    if not any(row) or any(_is_cell(cell) for cell in row):
        return False
    widest = statistics.mode(len(cells) for cells in sketch.rows)
    named = max(place for place, cell in enumerate(row) if cell) + 1
    return named <= widest and len(row) >= sketch.width


def _units_row(sketch: _Sketch) -> tuple[list[str], int]:
    """Return the units row and its place; the line after the header that holds most units."""
    after = [(at, row) for at, row in sketch.above if at > sketch.header_at]
    known = [sum(_log_units.is_known(cell) for cell in row if cell) for _, row in after]
    if not any(known):
        return [], -1
    at, row = after[known.index(max(known))]
    return row[: sketch.width], at


def _layout_notes(sketch: _Sketch, units_at: int) -> list[str]:
    passed = [at + 1 for at, _ in sketch.above if at not in (sketch.header_at, units_at)]
    shown = ", ".join(str(line) for line in passed[:5]) + (" ..." if len(passed) > 5 else "")
    return [f"lines before the rows passed over: {shown}"] if passed else []


def _signs(rows: Sequence[Sequence[str]], delimiter: str, data: bytes) -> tuple[str, str | None]:
    """Return the decimal sign and the thousands sign (None when there is none)."""
    numbers = [cell for row in rows for cell in row if is_number(cell)]
    both = [cell for cell in numbers if "," in cell and "." in cell]
    if both:
        comma_last = sum(cell.rindex(",") > cell.rindex(".") for cell in both) * 2 > len(both)
        return (",", ".") if comma_last else (".", ",")
    commas = [cell for cell in numbers if "," in cell]
    dots = [cell for cell in numbers if "." in cell]
    if commas and dots:
        # One of the two separates thousands when all its cells look so and the other's do not.
        grouped_commas = all(_GROUPED.fullmatch(cell) for cell in commas)
        grouped_dots = all(_GROUPED.fullmatch(cell) for cell in dots)
        if grouped_commas != grouped_dots:
            return (".", ",") if grouped_commas else (",", ".")
        return ("," if len(commas) > len(dots) else "."), None
    if commas:
        return ",", None
    if dots or delimiter == ",":
        return ".", None
    # No fraction among the first rows: look on.
    return ("," if re.search(rb"\d,\d", data) and not re.search(rb"\d\.\d", data) else "."), None


def _no_rows(file: str, lines: Sequence[str]) -> InputError:
    first = next((line.strip() for line in lines if line.strip()), "")
    message = (
        f"no rows of numbers below a header (first line: {one_line(first)!r}), allowed: one row "
        "a sample, at least two columns separated by comma, semicolon or tab"
    )
    return one_problem(file, 1, "file", message)


def _no_header(file: str, sketch: _Sketch) -> InputError:
    near = [(at, row) for at, row in sketch.above if len(row) > 1 and not _is_row(row)]
    line = sketch.first_at + 1
    if near:
        at, row = near[-1]
        message = (
            f"the header has {_width(row)} names and the rows from line {line} have "
            f"{sketch.width} cells, allowed: one name a column"
        )
        return one_problem(file, at + 1, "header", message)
    shown = one_line(sketch.delimiter.join(sketch.rows[0]))
    message = f"rows without a header above ({shown!r}), allowed: a line with the columns' names"
    return one_problem(file, line, "header", message)
