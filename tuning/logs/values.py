"""From the cells of a log to signals in our units: conversion, held values, impossible values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tuning.logs import units as _log_units
from tuning.logs.names import Choice
from tuning.logs.order import usual_interval
from tuning.logs.rows import Findings, FloatArray, IntArray
from tuning.logs.units import Conversion

_EPOCH_s = 1e6
_HELD_s = 5.0


@dataclass(frozen=True)
class Table:
    """A log's recognised columns by our name before conversion, nan where empty."""

    file: str
    headers: tuple[str, ...]
    header_line: int
    choices: Mapping[str, Choice]
    numbers: Mapping[str, FloatArray]
    time_how: str
    line_of_row: IntArray
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Signals:
    """Signals by our name, in our units, without gaps."""

    columns: Mapping[str, FloatArray]
    units: Mapping[str, tuple[str, str]]
    line_of_row: IntArray
    notes: tuple[str, ...]


def convert(table: Table, findings: Findings) -> Signals:
    """Turn recognised columns into our units and fill what is empty."""
    filled = {name: values for name, values in table.numbers.items() if np.isfinite(values).any()}
    empty = [name for name in table.numbers if name not in filled]
    notes = [f"{name} is empty throughout: not used" for name in empty]
    for name in ("time_s", "rpm"):
        if name in empty:
            header = table.headers[table.choices[name].column]
            message = "no numbers in this column, allowed: a number in each row"
            findings.add("empty", table.header_line, header, message)
    findings.raise_any()
    conversions = _conversions(table, filled, findings)
    findings.raise_any()
    ours: dict[str, FloatArray] = {}
    for name, values in filled.items():
        if name in conversions:
            ours[name] = conversions[name](values)
        else:
            notes.append(f"{name}: no unit written and no unit makes sense of its values: not used")
    _check_possible(ours, table, findings)
    findings.raise_any()
    known = np.isfinite(ours["time_s"]) & np.isfinite(ours["rpm"])
    if not known.all():
        notes.append(f"{np.count_nonzero(~known)} rows without time or rpm left out")
    whole = {
        name: values if name in ("time_s", "rpm") else _held(name, values, ours["time_s"], notes)
        for name, values in ours.items()
    }
    columns = {name: values[known] for name, values in whole.items()}
    if columns["time_s"].size and abs(columns["time_s"][0]) > _EPOCH_s:
        notes.append(f"time counts from the first row ({columns['time_s'][0]:.3f} s in the file)")
        columns["time_s"] = columns["time_s"] - columns["time_s"][0]
    units = {name: (conversions[name].unit, conversions[name].how) for name in columns}
    return Signals(columns, units, table.line_of_row[known], tuple(notes))


def _conversions(table: Table, filled: Mapping[str, FloatArray], findings: Findings) -> dict[str, Conversion]:
    found: dict[str, Conversion] = {}
    unmarked: list[str] = []
    for name, values in filled.items():
        choice = table.choices[name]
        if name == "time_s" and table.time_how:
            found[name] = Conversion("s", 1.0, 0.0, table.time_how)
        elif _log_units.is_written(choice.unit, choice.signal.kind):
            written = _log_units.conversion(choice.unit, choice.signal)
            if written is None:
                message = (
                    f"unit does not turn into {choice.signal.unit} ({choice.unit!r}), allowed: a unit of "
                )
                message += f"{choice.signal.kind}, or none"
                findings.add("unit", table.header_line, table.headers[choice.column], message)
            else:
                found[name] = written
        elif choice.signal.kind == "temperature":
            unmarked.append(name)
        else:
            guess = _guess(choice, values)
            if guess is not None:
                found[name] = guess
    if unmarked:
        marked = [found[name] for name in found if name.endswith("_degC")]
        pooled = np.concatenate([filled[name] for name in unmarked])
        shared = _log_units.temperature_from_values(pooled)
        if marked:
            shared = replace(marked[0], how="no unit written: taken as the other temperature's")
        found |= dict.fromkeys(unmarked, shared)
    return found


def _guess(choice: Choice, values: FloatArray) -> Conversion | None:
    """Return the unit of a column that has none written; None when none makes sense."""
    kind = choice.signal.kind
    if kind == "time":
        return _log_units.time_from_interval(usual_interval(values[np.isfinite(values)]))
    if kind == "pressure":
        return _log_units.pressure_from_values(values, choice.signal)
    if kind == "voltage":
        return _log_units.voltage_from_values(values)
    unit = choice.signal.unit
    if kind == "speed":
        return _log_units.speed_from_values(values, unit)
    return Conversion(unit, 1.0, 0.0, f"no unit written: taken as {unit}")


def _check_possible(ours: Mapping[str, FloatArray], table: Table, findings: Findings) -> None:
    for name, values in ours.items():
        choice = table.choices[name]
        signal, header = choice.signal, table.headers[choice.column]
        rows = np.flatnonzero((values < signal.lowest) | (values > signal.highest))
        if not rows.size:
            continue
        raw = table.numbers[name][rows[0]]
        more = f", and {rows.size - 1} more rows" if rows.size > 1 else ""
        spelt = f"{raw:.6g}" + (f" {choice.unit}" if choice.unit else "")
        message = (
            f"not possible as {name} ({spelt}{more}), allowed: {signal.lowest:g} to "
            f"{signal.highest:g} {signal.unit}"
        )
        if name not in ("time_s", "rpm"):
            message += f', or leave the column out with --columns "{name}="'
        findings.add("impossible", int(table.line_of_row[rows[0]]), header, message)


def held_at(time: FloatArray, at: FloatArray, values: FloatArray) -> FloatArray:
    """Return the last value at or before each time, nan before the first."""
    known = np.isfinite(at) & np.isfinite(values)
    at, values = at[known], values[known]
    if not at.size:
        return np.full(time.size, np.nan)
    last = np.searchsorted(at, time, side="right") - 1
    return np.where(last < 0, np.nan, values[np.maximum(last, 0)])


def _held(name: str, values: FloatArray, time_s: FloatArray, notes: list[str]) -> FloatArray:
    """Fill empty cells with the value before, those at the start with the first."""
    known = np.isfinite(values)
    if known.all():
        return values
    rows = np.arange(values.size)
    source = np.maximum.accumulate(np.where(known, rows, -1))
    source = np.where(source < 0, np.flatnonzero(known)[0], source)
    held_s = np.abs(time_s - time_s[source])
    longest = float(np.nanmax(held_s)) if np.isfinite(held_s).any() else 0.0
    long = f", for up to {longest:.3g} s" if longest > _HELD_s else ""
    count = np.count_nonzero(~known)
    notes.append(f"{name}: {count} empty cells take the value before them{long}")
    return values[source]


def remarks(columns: Mapping[str, FloatArray], parts: Sequence[slice]) -> tuple[list[str], dict[str, float]]:
    """Say which signals never change and which are refreshed more slowly than rows are written."""
    notes: list[str] = []
    still = [
        f"{name} {values[0]:.6g}"
        for name, values in columns.items()
        if name != "time_s" and (values == values[0]).all()
    ]
    if still:
        notes.append("the same throughout: " + ", ".join(still))
    refresh_s: dict[str, float] = {}
    for name in ("rpm", "map_kPa"):
        period = _refresh_s(columns[name], columns["time_s"], parts) if name in columns else 0.0
        if period:
            refresh_s[name] = period
            notes.append(f"{name} is refreshed only about every {period:.2g} s and repeated between")
    return notes, refresh_s


def _refresh_s(values: FloatArray, time_s: FloatArray, parts: Sequence[slice]) -> float:
    """Return the usual time between changes of a signal that is never new in two rows running [s]."""
    lengths, runs = [np.empty(0)], [np.empty(0, np.int64)]
    for part in parts:
        changes = np.flatnonzero(np.diff(values[part])) + 1
        lengths.append(np.diff(time_s[part][changes]))
        runs.append(np.diff(changes))
    run = np.concatenate(runs)
    if run.size < 5 or np.count_nonzero(run == 1) > 0.05 * run.size:
        return 0.0
    return float(np.median(np.concatenate(lengths)))
