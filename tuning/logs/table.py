"""Text logs as far as recognised columns: header, the user's own mapping, rows, time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from sim.errors import InputError, Problem
from tuning.logs.clock import seconds_from_text
from tuning.logs.header import Layout, find_table, is_time
from tuning.logs.names import Choice, choose_columns, find_column
from tuning.logs.rows import Findings, FloatArray, Rows, read_rows
from tuning.logs.signals import BY_NAME, SIGNALS
from tuning.logs.text import load_text, one_line
from tuning.logs.values import Table

Wanted = Mapping[str, tuple[int, str] | None]

_SHORT_NAMES = {
    "time": "time_s", "map": "map_kPa", "coolant": "coolant_degC", "battery": "battery_V",
    "valve": "valve_steps", "steps": "valve_steps", "spark": "spark_deg", "target": "target_rpm",
    "iat": "iat_degC", "throttle": "throttle_percent", "load": "load_W",
}  # fmt: skip


def read_table(path: Path, columns: Mapping[str, str | None] | None, encoding: str | None) -> Table:
    """Read a text file as far as recognised columns in the file's own units."""
    text = load_text(path, encoding)
    layout = find_table(text)
    wanted = find_wanted(text.file, layout.headers, layout.header_line, columns)
    choices, notes = choose_columns(layout.headers, layout.units, wanted)
    _check_needed(text.file, layout, choices)
    as_text = _written_as_time(layout, choices["time_s"].column)
    numeric = [choice.column for choice in choices.values() if choice.column not in as_text]
    rows = read_rows(text, layout, numeric, as_text)
    how = ""
    numbers: dict[str, FloatArray] = {}
    for name, choice in choices.items():
        at = choice.column
        if at in as_text:
            numbers[name], how = _time(text.file, layout.headers[at], rows, at)
        else:
            numbers[name] = rows.numbers[at]
    said = (*text.notes, *layout.notes, *notes, *rows.notes)
    return Table(text.file, layout.headers, layout.header_line, choices, numbers, how, rows.line_of_row, said)


def _time(file: str, header: str, rows: Rows, column: int) -> tuple[FloatArray, str]:
    """Return seconds of a time column kept as text, and how it was read."""
    cells = rows.texts[column]
    seconds, bad, how = seconds_from_text(cells)
    findings = Findings(file)
    form = how.split(",")[0]
    for row in np.flatnonzero(bad).tolist():
        shown = one_line(cells[row])
        message = f"not a time ({shown!r}), allowed: {form} as in other rows"
        findings.add("not a time", int(rows.line_of_row[row]), header, message)
    findings.raise_any()
    return seconds, how


def _written_as_time(layout: Layout, column: int) -> list[int]:
    """Return the time column if its first filled cell is a clock time or a date."""
    return (
        [column] if any(is_time(cells[column]) for cells in layout.first_rows if column < len(cells)) else []
    )


def find_wanted(
    file: str, headers: Sequence[str], line: int, columns: Mapping[str, str | None] | None
) -> Wanted:
    """Find the columns that the user named: column and unit ('' for the file's own); None for none."""
    wanted: dict[str, tuple[int, str] | None] = {}
    problems: list[Problem] = []
    for key, column in (columns or {}).items():
        name = _SHORT_NAMES.get(key.strip().lower(), key.strip())
        if name not in BY_NAME:
            allowed = ", ".join(signal.name for signal in SIGNALS)
            problems.append(Problem(file, line, key, f"unknown signal, allowed: {allowed}"))
        elif column is None or not column.strip():
            wanted[name] = None
        else:
            found = find_column(headers, column)
            if len(found) == 1:
                wanted[name] = found[0], _unit_given(column, headers[found[0]])
            else:
                what = "no such column" if not found else "several such columns"
                problems.append(Problem(file, line, key, f"{what} ({column!r}), allowed: {listed(headers)}"))
    if problems:
        raise InputError(problems)
    return wanted


def listed(headers: Iterable[str]) -> str:
    """Return the names of columns as one line, shortened where there are very many."""
    return one_line(", ".join(dict.fromkeys(header for header in headers if header)), 300) or "none"


def _unit_given(column: str, header: str) -> str:
    """Return the unit a user wrote after a column's name, '' when the file's own is meant."""
    text = column.strip()
    if text == header.strip() or not text.endswith(("]", ")")):
        return ""
    opening = max(text.rfind("["), text.rfind("("))
    return text[opening + 1 : -1].strip() if opening > 0 else ""


def _check_needed(file: str, layout: Layout, choices: Mapping[str, Choice]) -> None:
    missing = [name for name in ("time_s", "rpm") if name not in choices]
    if missing:
        there, taken = listed(layout.headers), {choice.column for choice in choices.values()}
        free = [one for at, one in enumerate(layout.headers) if one and at not in taken]
        copied = ", ".join(f"{name}={one}" for name, one in zip(missing, [*free, "...", "..."], strict=False))
        allowed = f'name it, as with --columns "{copied}"'
        if {"value", "wert", "valeur", "valore", "valor"}.intersection(map(str.lower, layout.headers)):
            allowed = "one column a signal; this has one reading a row: turn it round (pivot table)"
        message = f"no such column recognised (columns: {there}), allowed: {allowed}"
        raise InputError(Problem(file, layout.header_line, name, message) for name in missing)
