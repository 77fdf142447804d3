"""Clock times and dates of a log as seconds."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tuning.logs.header import MISSING_WORDS, MONTH_DATE

FloatArray = NDArray[np.float64]

_CLOCK = re.compile(
    r"^(\d+):(\d{1,2}(?:\.\d*(?=$))?)(?::(\d{1,2}(?:\.\d*)?))?(?: ?([ap])\.?m\.?)?$", re.IGNORECASE
)
_ALL_PLAIN = re.compile(r"(?:\d+:\d{1,2}:\d{1,2}(?:\.\d*)?\n)+", re.ASCII)
"""Every line h:mm:ss.fff, as nearly all clocks are: then all are read at once."""
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}[T ].*")
_DATE_FORMS = (
    "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%Y/%m/%d", "%Y.%m.%d", "%Y-%m-%d",
    "%d.%m.%y", "%d/%m/%y", "%m/%d/%y",
)  # fmt: skip
_DAY_s = 86400.0
# Months by their first three letters, twelve in each of four rows of languages.
_MONTHS = """jan feb mar apr may jun jul aug sep oct nov dec jän fév mär avr mai giu lug aoû set okt nov dez
gen fev mrt abr mag jun jul ago sep ott nov déc ene feb mar abr mei jun jul ago sep out nov dic """


def seconds_from_text(cells: Sequence[str]) -> tuple[FloatArray, NDArray[np.bool_], str]:
    """Turn clock times or dates into seconds."""
    text = [cell.strip().strip("'\"").replace(",", ".") for cell in cells]
    empty = np.array([cell.lower() in MISSING_WORDS for cell in text], np.bool_)
    text = ["" if gone else _numbered(cell) for cell, gone in zip(text, empty, strict=True)]
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


def _numbered(cell: str) -> str:
    """Return a date with its month by name as ISO 8601 writes it; any other text as it is."""
    found = MONTH_DATE.fullmatch(cell)
    place = _MONTHS.find(found[2].lower()) // 4 if found else -1
    if found is None or place < 0:
        return cell
    clock = re.sub(r"^(\d+:\d+:\d+):(\d+)", r"\1.\2", found[4])  # 9:03:00:125 too
    year = found[3] if len(found[3]) == 4 else f"20{found[3]}"
    return f"{year}-{place % 12 + 1:02d}-{int(found[1]):02d} {clock}"


def _clock(text: Sequence[str]) -> FloatArray:
    """Return seconds of ``h:mm:ss.fff``, ``mm:ss.fff``, ``h:mm:ss am``, ``h:mm am``; nan for other texts."""
    lines = "\n".join((*text, ""))
    if _ALL_PLAIN.fullmatch(lines):
        numbers = np.array(lines[:-1].replace("\n", ":").split(":"), dtype=np.float64).reshape(-1, 3)
        return np.asarray((numbers[:, 0] * 60.0 + numbers[:, 1]) * 60.0 + numbers[:, 2])
    found = [cell.groups() if (cell := _CLOCK.match(one)) else (None,) * 4 for one in text]
    first, second, third = np.array([one[:3] for one in found], dtype=np.float64).reshape(-1, 3).T
    half = np.array([(one[3] or "").lower() for one in found])
    short, halved = np.isnan(third), half != ""
    # Of two numbers the first are minutes, but with am or pm they are hours.
    hours = np.where(short & ~halved, 0.0, first)
    minutes = np.where(short & ~halved, first, second)
    seconds = np.where(short, np.where(halved, 0.0, second), third)
    hours = np.where(halved, hours % 12.0 + np.where(half == "p", 12.0, 0.0), hours)
    return np.asarray((hours * 60.0 + minutes) * 60.0 + seconds)


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
