"""Text logs as far as recognised columns: header, the user's own mapping, rows, time."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from sim.errors import InputError, Problem
from tuning.logs.clock import seconds_from_text
from tuning.logs.header import Layout, find_table, is_time
from tuning.logs.long_form import turned_round
from tuning.logs.names import Choice, choose_columns, find_column, is_time_of, written_unit
from tuning.logs.rows import Findings, FloatArray, Rows, read_rows
from tuning.logs.signals import BY_NAME, SIGNALS
from tuning.logs.text import Text, load_text, one_line
from tuning.logs.values import Table, held_at

Wanted = Mapping[str, tuple[int, str] | None]

_SHORT_NAMES = {
    "time": "time_s", "map": "map_kPa", "coolant": "coolant_degC", "battery": "battery_V",
    "valve": "valve_steps", "steps": "valve_steps", "spark": "spark_deg", "target": "target_rpm",
    "iat": "iat_degC", "throttle": "throttle_percent", "load": "load_W",
}  # fmt: skip


_SWITCHED = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0, "yes": 1.0, "no": 0.0, "1": 1.0, "0": 0.0}


def read_table(
    path: Path, columns: Mapping[str, str | None] | None, encoding: str | None,
    kept: Mapping[str, str | None] | None = None,
) -> Table:  # fmt: skip
    """Read a text file as far as recognised columns in the file's own units."""
    text = load_text(path, encoding)
    layout = find_table(text)
    turned = turned_round(text, layout)
    if turned is not None:
        text, layout = turned, find_table(turned)
    wanted = find_wanted(text.file, layout.headers, layout.header_line, columns, kept)
    beside = _own_times(layout.headers)
    times = set(beside.values())
    headers = ["" if at in times else header for at, header in enumerate(layout.headers)]
    choices, notes = choose_columns(headers, layout.units, wanted)
    if beside and "rpm" in choices:
        at = beside.get(choices["rpm"].column, 0)
        unit = written_unit(layout.headers[at], (*layout.units, *[""] * len(layout.headers))[at])
        choices = {"time_s": Choice(at, BY_NAME["time_s"], unit, "the time beside rpm")} | {
            name: choice for name, choice in choices.items() if name != "time_s"
        }
    _check_needed(text.file, layout, choices)
    return _with_numbers(text, layout, choices, beside, notes)


def _with_numbers(
    text: Text, layout: Layout, choices: dict[str, Choice], beside: Mapping[int, int], notes: list[str]
) -> Table:
    """Read chosen columns; where each has a time of its own, at the times of rpm."""
    columns = [at for choice in choices.values() for at in (choice.column, *choice.also)]
    times = list(dict.fromkeys([choices["time_s"].column, *(beside[at] for at in columns if at in beside)]))
    switches = [] if "load_on" not in choices else [choices["load_on"].column, *choices["load_on"].also]
    as_text = [at for at in times if _first_cells(layout, at, is_time)]
    as_text += [at for at in switches if _first_cells(layout, at, lambda cell: cell.lower() in _SWITCHED)]
    numeric = [at for at in dict.fromkeys([*columns, *times]) if at not in as_text]
    rows = read_rows(text, layout, numeric, as_text)
    how, seconds = "", {at: rows.numbers[at] for at in times if at not in as_text}
    if len(seconds) < len(times):
        seconds, how = _times(text.file, layout.headers, rows, [at for at in times if at in as_text])
    numbers: dict[str, FloatArray] = {}
    for name, choice in choices.items():
        if name == "load_on":
            values = _loads_on(switches, rows, layout.headers, notes)
        else:
            values = seconds[choice.column] if name == "time_s" else rows.numbers[choice.column]
        if values is not None and beside and name not in ("time_s", "rpm"):
            values = held_at(seconds[times[0]], seconds[beside[choice.column]], values)
        if values is not None:
            numbers[name] = values
    kept = {name: choices[name] for name in numbers}
    said = (*text.notes, *layout.notes, *notes, *rows.notes)
    return Table(text.file, layout.headers, layout.header_line, kept, numbers, how, rows.line_of_row, said)


def _loads_on(
    columns: Sequence[int], rows: Rows, headers: Sequence[str], notes: list[str]
) -> FloatArray | None:
    """Return which loads are on, 1 for the first, 2, 4, ..., of columns that hold 0 and 1 or on and off."""
    total: FloatArray | None = None
    weight = 1.0
    for at in columns:
        values = rows.numbers.get(at)
        if values is None:
            values = np.array([_SWITCHED.get(cell.lower(), np.nan) for cell in rows.texts[at]])
        if np.isin(values[np.isfinite(values)], (0.0, 1.0)).all():
            total = weight * values + (0.0 if total is None else total)
            weight *= 2.0
        else:
            notes.append(f"'{headers[at]}' looks like load_on but is not 0 or 1 throughout: not used")
    return total


def _own_times(headers: Sequence[str]) -> dict[int, int]:
    """Return the time column of each other one, where a table is of pairs of time and value; else none."""
    named = [at for at, header in enumerate(headers) if header]
    pairs = list(zip(named[1::2], named[::2], strict=False))
    if len(pairs) < 2 or len(named) % 2:
        return {}
    paired = all(is_time_of(headers[time], headers[at]) and not is_time_of(headers[at]) for at, time in pairs)
    return dict(pairs) if paired else {}


def _times(
    file: str, headers: Sequence[str], rows: Rows, columns: Sequence[int]
) -> tuple[dict[int, FloatArray], str]:
    """Return seconds of time columns kept as text, counted from one moment, and how they were read."""
    cells = [cell for at in columns for cell in rows.texts[at]]
    seconds, bad, how = seconds_from_text(cells)
    findings = Findings(file)
    form, count = how.split(",")[0], len(rows.line_of_row)
    for place in np.flatnonzero(bad).tolist():
        message = f"not a time ({one_line(cells[place])!r}), allowed: {form} as in other rows"
        line = int(rows.line_of_row[place % count])
        findings.add("not a time", line, headers[columns[place // count]], message)
    findings.raise_any()
    return dict(zip(columns, np.split(seconds, len(columns)), strict=True)), how


def _first_cells(layout: Layout, column: int, like: Callable[[str], bool]) -> bool:
    """Tell whether any of the first cells of a column is written like that."""
    return any(like(cells[column]) for cells in layout.first_rows if column < len(cells))


def find_wanted(
    file: str, headers: Sequence[str], line: int, columns: Mapping[str, str | None] | None,
    kept: Mapping[str, str | None] | None = None,
) -> Wanted:  # fmt: skip
    """Find the columns that the user named: column and unit ('' for the file's own); None for none.

    Of those kept for all logs what this one does not have is passed over.
    """
    wanted: dict[str, tuple[int, str] | None] = {}
    problems: list[Problem] = []
    there = {key: column for key, column in (kept or {}).items() if find_column(headers, column or "")}
    for key, column in (there | dict(columns or {})).items():
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
        free = [at for at, one in enumerate(layout.headers) if one and at not in taken]
        likely = {name: next((at for at in free if _is_like(name, layout, at)), -1) for name in missing}
        rest = iter(at for at in free if at not in likely.values())
        places = [at if at >= 0 else next(rest, -1) for at in likely.values()]
        copied = ", ".join(
            f"{name}={layout.headers[at] if at >= 0 else '...'}"
            for name, at in zip(missing, places, strict=True)
        )
        allowed = f'name it, as with --columns "{copied}"'
        if {"value", "wert", "valeur", "valore", "valor"}.intersection(map(str.lower, layout.headers)):
            allowed = "one column a signal; this has one reading a row: turn it round (pivot table)"
        message = f"no such column recognised (columns: {there}), allowed: {allowed}"
        raise InputError(Problem(file, layout.header_line, name, message) for name in missing)


def _is_like(name: str, layout: Layout, column: int) -> bool:
    """Tell whether a column's first numbers rise as time does, or are of the size of an engine's speed."""
    cells = [row[column] for row in layout.first_rows if column < len(row)]
    plain = [cell.replace(",", ".") for cell in cells if re.fullmatch(r"\d+([.,]\d+)?", cell)]
    values = np.array(plain, dtype=float)
    if values.size < 3:
        return any(map(is_time, cells)) and name == "time_s"
    rises = bool(np.all(np.diff(values) > 0.0))
    return rises if name == "time_s" else not rises and 300.0 < float(np.median(values)) < 8000.0
