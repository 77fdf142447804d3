"""The rows of a log as arrays: lines counted and sorted out by us, numbers read by pandas.

pandas passes over surplus cells and fills missing ones, and one word turns a column to text.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError, Problem
from tuning.logs.header import MISSING_WORDS, Layout, is_comment, is_number, split
from tuning.logs.text import Text, one_line

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_LISTED = 10
_MOST_TEXT_LINES = 50
_CAREFUL_BYTES = 100_000


@dataclass(frozen=True)
class Rows:
    """Chosen columns by number as in the file (nan or '' where empty), and the line of each row, from 1."""

    numbers: Mapping[int, FloatArray]
    texts: Mapping[int, Sequence[str]]
    line_of_row: IntArray
    notes: tuple[str, ...]


class Findings:
    """Collects problems of one file, a few of each kind in full and the rest as a count."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._shown: list[Problem] = []
        self._counts: dict[str, int] = {}
        self._last_line: dict[str, int] = {}

    def add(self, kind: str, line: int, key: str, message: str) -> None:
        """Add one problem of a kind; kinds count apart."""
        self._counts[kind] = self._counts.get(kind, 0) + 1
        self._last_line[kind] = line
        if self._counts[kind] <= MOST_LISTED:
            self._shown.append(Problem(self.file, line, key, message))

    def raise_any(self) -> None:
        """Raise `InputError` with all problems, in the order of lines; nothing when none."""
        if not self._shown:
            return
        problems = sorted(self._shown, key=lambda problem: problem.line)
        for kind, count in self._counts.items():
            if count > MOST_LISTED:
                more = f"{count - MOST_LISTED} more of this kind: {kind}"
                problems.append(Problem(self.file, self._last_line[kind], "file", more))
        raise InputError(problems)


def read_rows(text: Text, layout: Layout, columns: Sequence[int], as_text: Sequence[int]) -> Rows:
    """Read chosen columns."""
    findings = Findings(text.file)
    body, lines, notes, open_end = _sorted_out(text, layout, findings)
    if not lines.size:
        findings.raise_any()
        return Rows({at: np.empty(0) for at in columns}, {at: [] for at in as_text}, lines, notes)
    numbers, bad = _numbers(body, layout, columns)
    texts = {at: _as_list(_read(body, layout, [at], [at])[at]) for at in as_text}
    if open_end and any(lines.size - 1 in cells for cells in bad.values()):
        # The file was cut within its last number.
        notes = (*notes, f"last line cut short, left out: line {lines[-1]}")
        lines = lines[:-1]
        numbers = {at: values[:-1] for at, values in numbers.items()}
        texts = {at: column[:-1] for at, column in texts.items()}
    for at, cells in bad.items():
        for row, cell in cells.items():
            if row < lines.size:
                shown = repr(one_line(cell))
                _not_a_number(findings, int(lines[row]), layout.headers[at], shown)
    for at, values in numbers.items():
        for row in np.flatnonzero(np.isinf(values)).tolist():
            _not_a_number(findings, int(lines[row]), layout.headers[at], "infinite")
    findings.raise_any()
    return Rows(numbers, texts, lines, notes)


def _sorted_out(
    text: Text, layout: Layout, findings: Findings
) -> tuple[bytes, IntArray, tuple[str, ...], bool]:
    """Return the rows alone, their line numbers, notes, and whether the last line has no end."""
    body = _from_line(text.data, layout.first_line)
    open_end = not body.endswith(b"\n")
    body = body + b"\n" if open_end else body
    signs = np.frombuffer(body, np.uint8)
    ends = np.flatnonzero(signs == ord("\n"))
    starts = np.concatenate(([0], ends[:-1] + 1))
    delimiter = ord(layout.delimiter)
    cells, closed = _cells_per_line(signs, starts, ends, delimiter)
    last = np.where(signs[ends - 1] == ord(" "), signs[ends - 2], signs[ends - 1])
    trailing = (cells == layout.width + 1) & (last == delimiter)
    marks = [ord(mark) for mark in "#%/;" if mark != layout.delimiter]
    plain = closed & ((cells == layout.width) | trailing) & ~np.isin(signs[starts], marks)
    for line in layout.head_lines:
        # A recorder that starts again may write its header again.
        plain[_lines_alike(signs, starts, ends, line.encode())] = False
    keep = plain.copy()
    sorter = _OddLines(text.file, layout, findings)
    for at in np.flatnonzero(~plain):
        line = body[starts[at] : ends[at]].decode("utf-8", errors="replace")
        is_last = bool(at == ends.size - 1)
        keep[at] = sorter.is_row(line, int(at) + layout.first_line, int(cells[at]), is_last)
    lines = np.flatnonzero(keep) + layout.first_line
    if not keep.all():
        chosen = np.repeat(keep, ends - starts + 1)
        body = signs[chosen].tobytes()
    return body, lines, sorter.notes(), open_end and bool(keep[-1])


def _lines_alike(signs: NDArray[np.uint8], starts: IntArray, ends: IntArray, line: bytes) -> IntArray:
    """Return the lines that are as long as this one and begin alike."""
    alike = np.flatnonzero(ends - starts == len(line))
    for place, sign in enumerate(line[:8]):
        alike = alike[signs[starts[alike] + place] == sign]
    return alike


def _from_line(data: bytes, line: int) -> bytes:
    at = 0
    for _ in range(line - 1):
        at = data.index(b"\n", at) + 1
    return data[at:]


def _cells_per_line(
    signs: NDArray[np.uint8], starts: IntArray, ends: IntArray, delimiter: int
) -> tuple[IntArray, NDArray[np.bool_]]:
    """Count cells of each line, passing over quoted delimiters; and tell which close all quotes."""
    between = np.flatnonzero(signs == delimiter)
    quotes = np.flatnonzero(signs == ord('"'))
    closed = np.ones(ends.size, np.bool_)
    if quotes.size:
        before_line = np.searchsorted(quotes, starts)
        closed = (np.searchsorted(quotes, ends) - before_line) % 2 == 0
        line_of = np.searchsorted(ends, between)
        within = (np.searchsorted(quotes, between) - before_line[line_of]) % 2 == 1
        between = between[~within]
    count = np.searchsorted(between, ends) - np.searchsorted(between, starts)
    return count + 1, closed


class _OddLines:
    """Decides about lines that are not plainly rows, and remembers what was left out."""

    def __init__(self, file: str, layout: Layout, findings: Findings) -> None:
        self._file = file
        self._layout = layout
        self._findings = findings
        self._left_out: dict[str, list[int]] = {}

    def is_row(self, line: str, number: int, cells: int, is_last: bool) -> bool:
        """Tell whether a line is a row; if not, note or report it."""
        layout = self._layout
        bare = line.strip()
        if not bare.strip(layout.delimiter + ' "'):
            return False
        if is_comment(line, layout.delimiter):
            return self._leave_out("comment lines", number)
        if bare in {head.strip() for head in layout.head_lines}:
            return self._leave_out("header repeated", number)
        parts = split(line, layout.delimiter)
        if line.count('"') % 2 == 0 and len(parts) >= layout.width:
            if not any(parts[layout.width :]):
                return True
        elif is_last:
            return self._leave_out("last line cut short, left out", number)
        elif self._is_remark(parts):
            return self._leave_out("lines of text", number)
        self._report(line, number, cells)
        return False

    def notes(self) -> tuple[str, ...]:
        """Return one note for each kind of line left out."""
        notes = []
        for what, lines in self._left_out.items():
            shown = ", ".join(str(line) for line in lines[:5])
            more = f" and {len(lines) - 5} more" if len(lines) > 5 else ""
            notes.append(f"{what}: line {shown}{more}")
        return tuple(notes)

    def _is_remark(self, parts: Sequence[str]) -> bool:
        """Tell whether a short line is a remark, such as a mark set while driving."""
        few = len(self._left_out.get("lines of text", ())) < _MOST_TEXT_LINES
        return few and parts[0][:1].isalpha() and not any(is_number(cell) for cell in parts)

    def _leave_out(self, what: str, number: int) -> bool:
        self._left_out.setdefault(what, []).append(number)
        return False

    def _report(self, line: str, number: int, cells: int) -> None:
        if line.count('"') % 2:
            message = f"a quote is not closed ({one_line(line)}), allowed: quotes in pairs"
            self._findings.add("open quote", number, "row", message)
            return
        message = (
            f"{cells} cells ({one_line(line)}), allowed: {self._layout.width}, one for each name "
            "in the header"
        )
        self._findings.add("number of cells", number, "row", message)


def _read(body: bytes, layout: Layout, columns: Sequence[int], as_text: Sequence[int]) -> pd.DataFrame:
    import pandas as pd

    kinds = {at: "str" if at in as_text else "float64" for at in columns}
    # What follows a trailing delimiter is passed over, since columns are chosen.
    names = list(range(layout.width))
    return pd.read_csv(
        io.BytesIO(body), engine="c", sep=layout.delimiter, decimal=layout.decimal,
        thousands=layout.thousands, header=None, names=names, usecols=list(columns), index_col=False,
        dtype=kinds, skipinitialspace=True, skip_blank_lines=False,
        na_values=sorted({*MISSING_WORDS, *(word.upper() for word in MISSING_WORDS)} - {""}),
        encoding="utf-8",
    )  # fmt: skip


def _numbers(
    body: bytes, layout: Layout, columns: Sequence[int]
) -> tuple[dict[int, FloatArray], dict[int, dict[int, str]]]:
    """Read columns as numbers; and, by column and row, the cells that are none (nan there)."""
    try:
        frame = _read(body, layout, columns, ())
        return {at: frame[at].to_numpy(np.float64) for at in columns}, {}
    except ValueError:
        each = {at: _one_column(body, layout, at) for at in columns}
    return {at: found[0] for at, found in each.items()}, {at: found[1] for at, found in each.items()}


def _one_column(body: bytes, layout: Layout, at: int) -> tuple[FloatArray, dict[int, str]]:
    """Read a column, halving the rows until what does not read is small, and that cell by cell."""
    try:
        return _read(body, layout, [at], ())[at].to_numpy(np.float64), {}
    except ValueError:
        half = body.find(b"\n", len(body) // 2) + 1
    if len(body) > _CAREFUL_BYTES and 0 < half < len(body):
        values, bad = _one_column(body[:half], layout, at)
        more, worse = _one_column(body[half:], layout, at)
        moved = {row + values.size: cell for row, cell in worse.items()}
        return np.concatenate((values, more)), bad | moved
    cells = _as_list(_read(body, layout, [at], [at])[at])
    read = [_number(cell, layout) for cell in cells]
    wrong = {row: cells[row] for row, value in enumerate(read) if value is None}
    return np.array([np.nan if value is None else value for value in read]), wrong


def _as_list(column: pd.Series) -> list[str]:
    return ["" if cell != cell else str(cell).strip() for cell in column.tolist()]


def _number(cell: str, layout: Layout) -> float | None:
    """Return the value of a cell, nan for an empty one, None when it is no number."""
    bare = cell.strip().strip("'").strip()
    if bare.lower() in MISSING_WORDS:
        return np.nan
    if not is_number(bare):
        return None
    text = bare.replace("−", "-")
    if layout.thousands and layout.thousands in text:
        text = text.replace(layout.thousands, "")
    if layout.decimal in text:
        text = text.replace(layout.decimal, ".")
    try:
        return float(text)
    except ValueError:
        return None


def _not_a_number(findings: Findings, line: int, header: str, shown: str) -> None:
    message = f"not a number ({shown}), allowed: a finite number or an empty cell"
    findings.add(f"not a number in {header}", line, header, message)
