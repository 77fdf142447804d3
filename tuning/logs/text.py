"""A log file as clean text: found, not binary, decoded, line ends made equal."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sim.files import one_problem, read_regular
from tuning.logs.names import count_names

# What a text may not hold: control characters other than tab, line feed and carriage return.
_CONTROL = bytes(sorted({*range(32), 127} - {9, 10, 13}))
_OTHER_KINDS = (
    (b"PK\x03\x04", "a spreadsheet or zip archive", "save it as comma separated text"),
    (b"\x1f\x8b", "gzip-packed", "unpack it first"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet or document", "save it as comma separated text"),
    (b"MDF     ", "an ASAM MDF file", "its name must end in .mf4"),
    (b"UnFinMF ", "an ASAM MDF file", "its name must end in .mf4"),
)
LARGEST_LOG_BYTES = 300_000_000  # Days of a log; what is larger is refused before it fills the memory.
_ENCODINGS = {
    "cp1252": "Windows-1252", "cp1250": "Windows-1250", "cp1251": "Windows-1251", "cp1253": "Windows-1253",
    "cp1254": "Windows-1254", "shift_jis": "Shift JIS", "gb18030": "GB 18030", "big5": "Big5",
    "euc_kr": "EUC-KR",
}  # fmt: skip
"""Tried where a text is not UTF-8, the first where none makes more of its names known."""
_HEAD = 4000
_MOST_NAMES = 100  # So many that are not of plain letters tell the encoding.
_WIDE_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


@dataclass(frozen=True)
class Text:
    """The text of a log as UTF-8 with line feeds only, and what had to be put right."""

    file: str
    data: bytes
    notes: tuple[str, ...]


def load_text(path: Path, encoding: str | None) -> Text:
    """Read a file as text."""
    file = str(path)
    raw = read_regular(path, LARGEST_LOG_BYTES)
    notes: list[str] = []
    if not raw.strip(b"\x00\x1a"):
        what = "holds nothing but zero bytes" if raw else "is empty (0 bytes)"
        raise one_problem(file, 1, "file", f"{what}, allowed: a text table with a header")
    for magic, kind, advice in _OTHER_KINDS:
        if raw.startswith(magic):
            raise one_problem(file, 1, "file", f"is {kind}, allowed: a text table; {advice}")
    if encoding is None and not raw.startswith(_WIDE_MARKS):
        # A recorder that loses power may leave its last block filled with zeros.
        whole = raw.rstrip(b"\x00\x1a")
        if len(raw) - len(whole) > 1:
            notes.append(f"{len(raw) - len(whole)} zero bytes at the end left out")
        data = _from_utf8(file, _with_line_feeds(file, whole), notes)
    else:
        data = _with_line_feeds(file, _from_named(file, raw, encoding))
    return Text(file, data, tuple(notes))


def one_line(text: str, longest: int = 40) -> str:
    """Return a text as one line that can be shown: blanks for what cannot be printed, shortened."""
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return line if len(line) <= longest else line[: longest - 3] + "..."


def _with_line_feeds(file: str, data: bytes) -> bytes:
    """Return a text with line feeds only; refuse one that holds other control characters."""
    bare = data.translate(None, _CONTROL + b"\r")
    returns = data.count(b"\r")
    if len(data) - len(bare) != returns:
        at = next(place for place, byte in enumerate(data) if byte in _CONTROL)
        line = _line_at(data, at)
        raise one_problem(
            file, line, "file", f"binary content (byte 0x{data[at]:02x}), allowed: a text table"
        )
    if returns == data.count(b"\r\n"):
        return bare
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _line_at(data: bytes, at: int) -> int:
    head = data[:at].replace(b"\r\n", b"\n")
    return 1 + head.count(b"\n") + head.count(b"\r")


def _from_named(file: str, raw: bytes, encoding: str | None) -> bytes:
    """Turn text in the encoding the user gave, or in marked UTF-16, into UTF-8."""
    name = encoding or "utf-16"
    if encoding is None:
        raw = raw[: len(raw) - len(raw) % 2]
    try:
        return raw.decode(name).removeprefix("\ufeff").encode()
    except LookupError:
        allowed = "a text encoding such as utf-8, cp1252, latin-1"
        message = f"unknown encoding ({encoding!r}), allowed: {allowed}"
        raise one_problem(file, 1, "encoding", message) from None
    except (UnicodeError, ValueError) as error:
        message = f"the file is not in this encoding ({name}: {error}), allowed: its own"
        raise one_problem(file, 1, "encoding", message) from None


def _from_utf8(file: str, raw: bytes, notes: list[str]) -> bytes:
    """Return UTF-8 text without byte-order mark, read as Windows-1252 where it is not UTF-8."""
    raw = raw.removeprefix(codecs.BOM_UTF8)
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data":
            # The file was cut within its last character.
            notes.append("the file ends within a character, which was left out")
            return raw[: error.start]
        return _from_windows(file, raw, notes)
    return raw


def _from_windows(file: str, raw: bytes, notes: list[str]) -> bytes:
    """Return text in Windows-1252, or in another encoding where that makes more of its names known."""
    # Names of plain letters are the same in all of them, and so are the signs between names.
    cells = (one for one in re.split(rb"[,;\t\r\n]", raw[:_HEAD]) if not one.isascii())
    named = list(dict.fromkeys(cells))[:_MOST_NAMES]

    def known(encoding: str) -> int:
        return count_names([one.decode(encoding, errors="ignore") for one in named])

    # Up to its last special character, mostly in the header; what follows is the same in UTF-8.
    end = int(np.flatnonzero(np.frombuffer(raw, np.uint8) > 127)[-1]) + 1
    best = max(_ENCODINGS, key=known)
    try:
        text = raw[:end].decode(best)
    except UnicodeDecodeError as error:
        line = _line_at(raw, error.start)
        message = (
            f"neither UTF-8 nor {_ENCODINGS[best]} text (byte 0x{raw[error.start]:02x}), allowed: a text"
        )
        raise one_problem(
            file, line, "file", f"{message} table; give its encoding if it has another"
        ) from None
    notes.append(f"read as {_ENCODINGS[best]} text, since it is not UTF-8")
    return text.encode() + raw[end:]
