"""Finds the line on which each key of a TOML document stands, as `tomllib` gives values without lines.

It follows the grammar of TOML 1.0 closely enough to place every key, table header and array element of a
document that `tomllib` has already accepted; it does not check the document again.
"""

from __future__ import annotations

import json
import re
from bisect import bisect_left

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_COMMA = re.compile(r"(?:[ \t\n]|#[^\n]*)*,?")
_OPEN, _CLOSE = re.compile(r"\[\[?"), re.compile(r"\]\]?")
_SPACE, _DOT, _EQUALS = re.compile(r"[ \t]*"), re.compile(r"\.?"), re.compile(r"=[ \t]*")
# Up to two quotes may stand right before the closing three.
_STRING = r""""{3}(?:\\[\s\S]|[^\\])*?"{3,}|'{3}[\s\S]*?'{3,}|"(?:\\.|[^"\\])*"|'[^']*\'"""
_KEY = re.compile(rf"{_STRING}|[^ \t=.\]]+")
# Dates may hold one blank ("1979-05-27 07:32:00").
_SCALAR = re.compile(rf"{_STRING}|[^ \t\n,\]}}#]*(?: \d\d[^ \t\n,\]}}#]*)?")
_ESCAPE = re.compile(r"\\U([0-9A-Fa-f]{8})|\\.")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, from 1, of every key path of a valid TOML document.

    Elements of arrays are counted from 0: ``("valve", "area_mm2", 2, 0)``. The empty path is the document,
    line 1.
    """
    return _Scanner(text.replace("\r\n", "\n")).lines()


def nearest_line(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Find the line of a key path or, when it is not in the file, of what would hold it."""
    return next((lines[path[:n]] for n in range(len(path), -1, -1) if path[:n] in lines), 1)


class _Scanner:
    """One pass over a document."""

    def __init__(self, text: str) -> None:
        self._text, self._at = text, 0
        self._ends = [end.start() for end in re.finditer("\n", text)]
        self._found: dict[KeyPath, int] = {(): 1}
        self._array_sizes: dict[KeyPath, int] = {}

    def lines(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        while sign := self._next():
            if sign == "[":
                table = self._header()
            else:
                self._pair(table)
        return self._found

    def _take(self, pattern: re.Pattern[str]) -> str:
        """Pass over what fits here, and give it; '' where nothing does."""
        found = pattern.match(self._text, self._at)
        self._at = found.end() if found else self._at
        return found[0] if found else ""

    def _next(self) -> str:
        """Pass over blanks, line ends and comments; the sign that follows, '' at the end."""
        self._take(_BLANK)
        return self._text[self._at : self._at + 1]

    def _line(self) -> int:
        return bisect_left(self._ends, self._at) + 1

    def _note(self, path: KeyPath, line: int) -> None:
        """Keep the first line on which a path, or anything inside it, is met."""
        for length in range(1, len(path) + 1):
            self._found.setdefault(path[:length], line)

    def _header(self) -> KeyPath:
        """Read ``[a.b]`` or ``[[a.b]]`` and return the path its keys belong to."""
        line = self._line()
        many = self._take(_OPEN) == "[["
        names = self._dotted_key()
        self._take(_CLOSE)
        if many:
            base = (*self._inside_arrays(names[:-1]), names[-1])
            index = self._array_sizes.get(base, 0)
            self._array_sizes[base] = index + 1
        path = self._inside_arrays(names)
        self._note(path, line)
        self._found[path] = line
        return path

    def _inside_arrays(self, names: tuple[str, ...]) -> KeyPath:
        """Follow names from the root, into the latest element of each array of tables."""
        path: KeyPath = ()
        for name in names:
            path = (*path, name)
            if path in self._array_sizes:
                path = (*path, self._array_sizes[path] - 1)
        return path

    def _dotted_key(self) -> tuple[str, ...]:
        names: list[str] = []
        while not names or self._take(_DOT):
            self._take(_SPACE)
            key = self._take(_KEY)
            names.append(_unescaped(key) if key[:1] == '"' else key.strip("'") if key[:1] == "'" else key)
            self._take(_SPACE)
        return tuple(names)

    def _pair(self, table: KeyPath) -> None:
        """Read ``key = value``."""
        line = self._line()
        path: KeyPath = (*table, *self._dotted_key())
        self._note(path, line)
        self._take(_EQUALS)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        sign = self._text[self._at : self._at + 1]
        if sign not in ("[", "{"):
            self._take(_SCALAR)
            return
        self._at += 1
        index = 0
        while self._next() not in ("", "]", "}"):
            if sign == "{":
                self._pair(path)
            else:
                self._note((*path, index), self._line())
                self._value((*path, index))
                index += 1
            self._take(_COMMA)
        self._at += 1


def _unescaped(quoted: str) -> str:
    r"""Read a basic string used as a key; TOML's ``\U`` with eight digits is the one escape JSON lacks."""

    def as_json(escape: re.Match[str]) -> str:
        return json.dumps(chr(int(escape[1], 16)))[1:-1] if escape[1] else escape[0]

    return str(json.loads(_ESCAPE.sub(as_json, quoted), strict=False))
