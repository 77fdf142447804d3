"""Finds the line on which each key of a TOML document stands, as `tomllib` gives values without lines.

It follows the grammar of TOML 1.0 closely enough to place every key, table header and array element of a
document that `tomllib` has already accepted; it does not check the document again.
"""

from __future__ import annotations

import json

KeyPath = tuple[str | int, ...]

_BARE_END = " \t=.]"
_VALUE_END = " \t\n,]}#"


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, from 1, of every key path of a valid TOML document.

    Elements of arrays are counted from 0: ``("valve", "area_mm2", 2, 0)``. The empty path is the document,
    line 1.
    """
    return _Scanner(text.replace("\r\n", "\n")).lines()


def nearest_line(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Find the line of a key path or, when it is not in the file, of what would hold it."""
    for length in range(len(path), -1, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 1


class _Scanner:
    """One pass over a document."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._found: dict[KeyPath, int] = {(): 1}
        self._array_sizes: dict[KeyPath, int] = {}

    def lines(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        while self._skip_blank():
            if self._text.startswith("[", self._at):
                table = self._header()
            else:
                self._pair(table)
        return self._found

    def _note(self, path: KeyPath, line: int) -> None:
        """Keep the first line on which a path, or anything inside it, is met."""
        for length in range(1, len(path) + 1):
            self._found.setdefault(path[:length], line)

    def _advance(self, count: int) -> None:
        self._line += self._text.count("\n", self._at, self._at + count)
        self._at += count

    def _skip_blank(self) -> bool:
        """Pass over blanks, line ends and comments; False at the end of the document."""
        while self._at < len(self._text):
            character = self._text[self._at]
            if character == "#":
                end = self._text.find("\n", self._at)
                self._at = len(self._text) if end < 0 else end
            elif character in " \t\n":
                self._advance(1)
            else:
                return True
        return False

    def _skip_spaces(self) -> None:
        while self._text[self._at : self._at + 1] in (" ", "\t"):
            self._at += 1

    def _header(self) -> KeyPath:
        """Read ``[a.b]`` or ``[[a.b]]`` and return the path its keys belong to."""
        line = self._line
        many = self._text.startswith("[[", self._at)
        self._advance(2 if many else 1)
        names = self._dotted_key()
        self._advance(2 if many else 1)
        path = self._inside_arrays(names[:-1])
        if many:
            base = (*path, names[-1])
            index = self._array_sizes.get(base, 0)
            self._array_sizes[base] = index + 1
            self._note((*base, index), line)
            return (*base, index)
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
        while True:
            self._skip_spaces()
            names.append(self._one_key())
            self._skip_spaces()
            if self._text[self._at] != ".":
                return tuple(names)
            self._advance(1)

    def _one_key(self) -> str:
        start = self._at
        if self._text[start] in "\"'":
            self._string()
            quoted = self._text[start : self._at]
            return quoted[1:-1] if quoted[0] == "'" else _unescaped(quoted)
        while self._text[self._at] not in _BARE_END:
            self._at += 1
        return self._text[start : self._at]

    def _pair(self, table: KeyPath) -> None:
        """Read ``key = value``."""
        line = self._line
        path: KeyPath = (*table, *self._dotted_key())
        self._note(path, line)
        self._advance(1)
        self._skip_spaces()
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        character = self._text[self._at]
        if character in "\"'":
            self._string()
        elif character == "[":
            self._array(path)
        elif character == "{":
            self._inline_table(path)
        else:
            # Dates may hold one blank ("1979-05-27 07:32:00"), so look on past it.
            self._skip_word()
            follows = self._text[self._at : self._at + 3]
            if follows[:1] == " " and follows[1:].isdigit():
                self._at += 1
                self._skip_word()

    def _skip_word(self) -> None:
        while self._at < len(self._text) and self._text[self._at] not in _VALUE_END:
            self._at += 1

    def _array(self, path: KeyPath) -> None:
        self._advance(1)
        index = 0
        while self._skip_blank() and self._text[self._at] != "]":
            element = (*path, index)
            self._note(element, self._line)
            self._value(element)
            index += 1
            if self._skip_blank() and self._text[self._at] == ",":
                self._advance(1)
        self._advance(1)

    def _inline_table(self, path: KeyPath) -> None:
        self._advance(1)
        while self._skip_blank() and self._text[self._at] != "}":
            self._pair(path)
            if self._skip_blank() and self._text[self._at] == ",":
                self._advance(1)
        self._advance(1)

    def _string(self) -> None:
        """Pass over a string of any of the four kinds."""
        quote = self._text[self._at]
        long = self._text.startswith(quote * 3, self._at)
        close = quote * 3 if long else quote
        position = self._at + len(close)
        while not self._text.startswith(close, position):
            position += 2 if quote == '"' and self._text[position] == "\\" else 1
        position += len(close)
        if long:
            # Up to two quotes may stand right before the closing three.
            while self._text.startswith(quote, position):
                position += 1
        self._advance(position - self._at)


def _unescaped(quoted: str) -> str:
    r"""Read a basic string used as a key; TOML's ``\UXXXXXXXX`` is the one escape JSON lacks."""
    pieces: list[str] = []
    position = 0
    while True:
        mark = quoted.find("\\", position)
        if mark < 0:
            return str(json.loads("".join(pieces) + quoted[position:], strict=False))
        pieces.append(quoted[position:mark])
        if quoted[mark + 1] == "U":
            pieces.append(json.dumps(chr(int(quoted[mark + 2 : mark + 10], 16)))[1:-1])
            position = mark + 10
        else:
            pieces.append(quoted[mark : mark + 2])
            position = mark + 2
