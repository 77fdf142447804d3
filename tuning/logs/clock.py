"""Clock times and dates of a log as seconds."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tuning.logs.header import MISSING_WORDS

FloatArray = NDArray[np.float64]

_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d{1,2}(?:\.\d*)?)")
_HALF_DAY = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d*)?))? ?([ap])\.?m\.?", re.IGNORECASE)
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}[T ].*")
_DATE_FORMS = (
    "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%Y/%m/%d", "%Y.%m.%d", "%Y-%m-%d",
    "%d.%m.%y", "%d/%m/%y", "%m/%d/%y",
)  # fmt: skip
_DAY_s = 86400.0


def seconds_from_text(cells: Sequence[str]) -> tuple[FloatArray, NDArray[np.bool_], str]:
    """Turn clock times or dates into seconds."""
    text = [cell.strip().strip("'\"").replace(",", ".") for cell in cells]
    empty = np.array([cell.lower() in MISSING_WORDS for cell in text], np.bool_)
    text = ["" if gone else cell for cell, gone in zip(text, empty, strict=True)]
    first = next((cell for cell in text if cell), "")
    if ":" in first and not re.search(r"[-/T]|\d\.\d+\.\d", first):
        seconds, how = _past_midnight(_clock(text)), "clock time"
    else:
        seconds = _iso_dates(text) if _ISO.fullmatch(first) else _other_dates(text)
        known = np.flatnonzero(np.isfinite(seconds))
        how = f"date with time, counted from {first}"
        if known.size:
            seconds = seconds - seconds[known[0]]
    return seconds, ~np.isfinite(seconds) & ~empty, how


def _clock(text: Sequence[str]) -> FloatArray:
    """Return seconds of ``h:mm:ss.fff``, ``mm:ss.fff`` and ``h:mm:ss am``; nan for other texts."""
    fast = _plain_clock(text)
    if fast is not None:
        return fast
    return np.array([_one_clock(cell) for cell in text], np.float64)


def _plain_clock(text: Sequence[str]) -> FloatArray | None:
    """Read clock times as a table with colons between cells; None when some are of another form."""
    import pandas as pd

    joined = "\n".join(text)
    if joined.translate(dict.fromkeys(map(ord, "0123456789:.\n"))) or not joined:
        return None
    try:
        parts = pd.read_csv(
            io.StringIO(joined + "\n"),
            sep=":",
            header=None,
            names=[0, 1, 2, 3],
            index_col=False,
            dtype="float64",
            skip_blank_lines=False,
        ).to_numpy()
    except ValueError:
        return None
    hours, minutes, seconds, more = parts[: len(text)].T
    if parts.shape[0] != len(text) or np.isfinite(more).any() or (minutes % 1.0 > 0.0).any():
        return None
    short = np.isnan(seconds)
    return np.where(short, hours * 60.0 + minutes, (hours * 60.0 + minutes) * 60.0 + seconds)


def _one_clock(cell: str) -> float:
    match = _CLOCK.fullmatch(cell)
    if match:
        hours, minutes, rest = match.groups()
        return (int(hours or 0) * 60 + int(minutes)) * 60 + float(rest)
    match = _HALF_DAY.fullmatch(cell)
    if match:
        hours, minutes, rest, half = match.groups()
        hour = int(hours) % 12 + (12 if half.lower() == "p" else 0)
        return (hour * 60 + int(minutes)) * 60 + float(rest or 0)
    return np.nan


def _iso_dates(text: Sequence[str]) -> FloatArray:
    """Return seconds since 1970 of dates as ISO 8601 writes them; nan for other texts."""
    import pandas as pd

    stamps = pd.to_datetime(pd.Series(text, dtype=object), format="ISO8601", errors="coerce", utc=True)
    seconds = stamps.astype("datetime64[ns, UTC]").astype("int64").to_numpy(np.float64) / 1e9
    seconds[stamps.isna().to_numpy()] = np.nan
    return seconds


def _other_dates(text: Sequence[str]) -> FloatArray:
    """Return seconds since 1970, by the form under which the dates span least; nan for other texts."""
    import pandas as pd

    halves = [cell.partition(" ") for cell in text]
    dates = pd.Series(sorted({date for date, _, _ in halves if date}), dtype=object)
    best: tuple[int, float, dict[str, float]] | None = None
    for form in _DATE_FORMS:
        days = pd.to_datetime(dates, format=form, errors="coerce")
        read = days.notna()
        if not read.any():
            continue
        since = (days[read] - pd.Timestamp(0)).dt.total_seconds().tolist()
        found = dict(zip(dates[read].tolist(), since, strict=True))
        rank = -len(found), max(since) - min(since)
        if best is None or rank < best[:2]:
            best = (*rank, found)
    if best is None:
        return np.full(len(text), np.nan)
    day_s = np.array([best[2].get(date, np.nan) for date, _, _ in halves])
    return day_s + _clock([clock.strip() for _, _, clock in halves])


def _past_midnight(seconds: FloatArray) -> FloatArray:
    """Let clock times go on counting where they fall back by more than half a day."""
    known = np.flatnonzero(np.isfinite(seconds))
    days = np.concatenate(([0], np.cumsum(np.diff(seconds[known]) < -_DAY_s / 2)))[: known.size]
    counted = seconds.copy()
    counted[known] += days * _DAY_s
    return counted
