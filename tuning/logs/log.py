"""Recorded logs: reading them from text tables or ASAM MDF 4, and writing our own form."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.errors import InputError, Problem
from sim.files import bundled_folder, find_file, write_beside
from tuning.logs.order import put_in_order
from tuning.logs.rows import Findings, FloatArray
from tuning.logs.signals import BY_NAME
from tuning.logs.table import find_wanted, listed, read_table
from tuning.logs.values import Table, convert, remarks

WRITTEN_COLUMNS = tuple(BY_NAME)


class Recognised(NamedTuple):
    """One column of a file, the name and unit it was taken for, and how."""

    column: str
    name: str
    unit: str
    how: str


@dataclass(frozen=True, eq=False)
class Log:
    """A recorded log in our units, times as recorded.

    All signals are float64 arrays of the same length and finite: where a file's cell was empty the last value
    is held, and a note says so. What was not recorded is None.

    Attributes
    ----------
    file, rpm, throttle_percent, vehicle_speed_km_h, load_on : str, ndarray, ndarray or None
        The file as the user named it; speed, 0 to 20000; throttle and speed of the car [rpm, %, km/h]; which
        switched loads are on, 1 for the first, 2, 4, ... added.
    parts : tuple of slice
        Stretches between restarts and gaps (longer than 5 usual intervals or 2 s), in which time rises.
    recognised, ignored, notes : tuple
        Columns used and not used, and what was noticed and put right.
    """

    file: str
    time_s: FloatArray  # dates counted from the first row
    rpm: FloatArray
    map_kPa: FloatArray | None = None  # absolute, 0 to 400
    coolant_degC: FloatArray | None = None
    battery_V: FloatArray | None = None
    valve_steps: FloatArray | None = None
    spark_deg: FloatArray | None = None  # before top dead centre, -90 to 90
    target_rpm: FloatArray | None = None
    iat_degC: FloatArray | None = None
    throttle_percent: FloatArray | None = None
    load_W: FloatArray | None = None
    vehicle_speed_km_h: FloatArray | None = None
    load_on: FloatArray | None = None
    parts: tuple[slice, ...] = ()
    rate_Hz: float = 0.0
    refresh_s: Mapping[str, float] = field(default_factory=dict)  # where slower than the rows
    recognised: tuple[Recognised, ...] = ()
    ignored: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the signals recorded, time first."""
        return tuple(name for name in WRITTEN_COLUMNS if getattr(self, name) is not None)

    @property
    def loaded(self) -> NDArray[np.bool_]:
        """Rows in which more is recorded to load the engine than where least is."""
        rows = np.zeros(self.rpm.size, dtype=bool)
        for load, least in ((self.load_W, 1.0), (self.load_on, 0.0)):
            if load is not None:
                rows |= load > float(np.min(load)) + least
        return rows

    def columns(self) -> dict[str, FloatArray]:
        """Signals recorded by our names, time first.

        Returns
        -------
        dict of str to ndarray
        """
        return {name: getattr(self, name) for name in self.names}

    def summary(self) -> list[str]:
        """What was recognised, what was ignored, and the notes.

        Returns
        -------
        list of str
        """
        rows, last = self.time_s.size, sum(
            float(self.time_s[part.stop - 1] - self.time_s[part.start]) for part in self.parts
        )  # fmt: skip
        pieces = f" in {len(self.parts)} parts" if len(self.parts) > 1 else ""
        lines = [f"{self.file}: {rows} rows, {last:.1f} s{pieces}, {self.rate_Hz:.3g} rows a second"]
        lines += [
            f"  {column!r} is {name}" + (f" [{unit}]" if unit else "") + f" ({how})"
            for column, name, unit, how in self.recognised
        ]
        if self.ignored:
            lines.append("  ignored: " + ", ".join(repr(column) for column in self.ignored))
        return [*lines, *(f"  note: {note}" for note in self.notes)]


def read_log(
    path: str | Path, columns: Mapping[str, str | None] | None = None, encoding: str | None = None,
    kept: Mapping[str, str | None] | None = None,
) -> Log:  # fmt: skip
    """Read a recorded log.

    Parameters
    ----------
    path : str or Path
        Comma, semicolon or tab separated text with a header, or ASAM MDF 4 (``.mf4``); or a name of
        ``sim.bundled_logs``.
    columns : mapping of str to str or None, optional
        Our name (``rpm``, ``map_kPa`` or short ``map``) to the file's column, with a unit in brackets where
        the file gives none or a wrong one (``"Pressure [inHg]"``); None or '' leaves the signal out. Signals
        not named are recognised from their names.
    encoding : str, optional
        Encoding of a text file; by default UTF-8, then those in which most names are known.
    kept : mapping of str to str or None, optional
        As ``columns``, of a car file: what this log does not have is passed over.

    Returns
    -------
    Log

    Raises
    ------
    InputError
        With one line for each problem: file, line, column, what is wrong, what is allowed.
    """
    path = find_file(path, bundled_folder() / "logs", "log", ".csv")
    if path.suffix.lower() == ".mf4":
        from tuning.logs.mdf import read_mdf

        table = read_mdf(path, lambda headers: find_wanted(str(path), headers, 1, columns, kept))
    else:
        table = read_table(path, columns, encoding, kept)
    return _log_from(table)


def needs(logs: Sequence[Log], names: Sequence[str], for_what: str) -> None:
    """Make sure that logs hold the signals that something needs; each that is missing is a problem.

    Parameters
    ----------
    logs, names, for_what : sequence of Log, sequence of str, str
        Our names of the signals; who needs them, such as ``"fit"``.

    Raises
    ------
    InputError
        Of all logs together.
    """
    problems = [
        Problem(
            log.file, 1, name, f"not in this log, and {for_what} needs it (columns not used: "
            f"{listed(log.ignored)}), allowed: record it, or name its column with --columns \"{name}=...\""
        )
        for log in logs
        for name in names
        if name not in log.names
    ]  # fmt: skip
    if problems:
        raise InputError(problems)


def write_log(log: Log | Mapping[str, ArrayLike], path: str | Path) -> None:
    """Write a log in our own form, completely or not at all; reading it gives back exactly the same numbers.

    Parameters
    ----------
    log, path : Log or mapping of str to array_like, str or Path
        Signals by our names, one value a row, `time_s` and `rpm` among them; a file there is replaced.

    Raises
    ------
    InputError
        When a signal is missing, unknown, of another length or not finite, or when the place cannot be
        written.
    """
    given = log.columns() if isinstance(log, Log) else dict(log)
    arrays = {name: np.asarray(given[name], np.float64) for name in WRITTEN_COLUMNS if name in given}
    problems = [
        Problem(str(path), 1, name, f"unknown signal, allowed: {', '.join(WRITTEN_COLUMNS)}")
        for name in given
        if name not in BY_NAME
    ]
    problems += [
        Problem(str(path), 1, name, "missing, allowed: one value a row")
        for name in ("time_s", "rpm")
        if name not in given
    ]
    rows = arrays["time_s"].size if "time_s" in arrays else 0
    for name, values in arrays.items():
        if values.shape != (rows,):
            message = f"another shape ({values.shape}), allowed: {rows} values as time_s"
            problems.append(Problem(str(path), 1, name, message))
        elif not np.isfinite(values).all():
            row = int(np.flatnonzero(~np.isfinite(values))[0])
            message = f"not finite in row {row} ({values[row]}), allowed: finite numbers"
            problems.append(Problem(str(path), row + 2, name, message))
    if problems:
        raise InputError(problems)
    import pandas as pd

    text = io.StringIO()
    pd.DataFrame(arrays).to_csv(text, index=False, lineterminator="\n")
    write_beside(path, text.getvalue())


def _log_from(table: Table) -> Log:
    """Convert, put in order and describe."""
    findings = Findings(table.file)
    signals = convert(table, findings)
    others = [values for name, values in signals.columns.items() if name != "time_s"]
    order = put_in_order(signals.columns["time_s"], others, signals.line_of_row, findings)
    columns = {name: values[order.keep] for name, values in signals.columns.items()}
    columns["time_s"] = order.time_s
    said, refresh_s = remarks(columns, order.parts)
    recognised = []
    for name in columns:
        choice, (unit, how_unit) = table.choices[name], signals.units[name]
        how = f"{choice.how}; {how_unit}" if how_unit else choice.how
        column = " + ".join(table.headers[at] for at in (choice.column, *choice.also))
        recognised.append(Recognised(column, name, unit, how))
    used = {at for name in columns for at in (table.choices[name].column, *table.choices[name].also)}
    ignored = tuple(header for at, header in enumerate(table.headers) if header and at not in used)
    return Log(
        file=table.file, **columns, parts=order.parts, rate_Hz=order.rate_Hz, refresh_s=refresh_s,
        recognised=tuple(recognised), ignored=ignored,
        notes=(*table.notes, *signals.notes, *order.notes, *said),
    )  # fmt: skip
