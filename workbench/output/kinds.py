"""What kind of file is there already: one is replaced only by its like."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path

import sim

MOST_READ = 5_000_000
SHEET_COLUMNS = ("section", "item", "value", "unit", "entry", "entry_unit", "remark")
"""Header of a sheet as a table."""


def _is_car(content: bytes) -> bool:
    try:
        values = tomllib.loads(content.decode("utf-8", "replace").replace("\r\n", "\n"))
    except (ValueError, RecursionError):
        lines = {line.strip() for line in content.splitlines()}
        return b"[engine]" in lines and b"[valve]" in lines
    return isinstance(values.get("engine"), dict) and isinstance(values.get("valve"), dict)


def _is_table(content: bytes) -> bool:
    """Whether it is a sheet as a table, or a trace in our own form."""
    first = content.split(b"\n", 1)[0].strip().decode("utf-8", "replace")
    return first in (",".join(SHEET_COLUMNS), ", ".join(("time_s", *sim.LOG_COLUMNS)))


def _is_object(content: bytes) -> bool:
    try:
        value = json.loads(content)
    except (ValueError, RecursionError):
        return False
    return isinstance(value, dict) and {"car", "settings", "curves"} <= value.keys()


def _begins(*starts: bytes) -> Callable[[bytes], bool]:
    return lambda content: content.startswith(starts)


KINDS: dict[str, tuple[str, Callable[[bytes], bool]]] = {
    ".csv": ("a table of ours", _is_table),
    ".json": ("a sheet", _is_object),
    ".html": ("a page of ours", _begins(b'<!doctype html>\n<html lang="en"><head><meta charset')),
    ".pdf": ("a PDF", _begins(b"%PDF")),
    ".png": ("a picture", _begins(b"\x89PNG")),
    ".svg": ("a drawing", _begins(b"<?xml", b"<svg")),
}
CAR = ("a car file", _is_car)


def refuse_another_kind(path: Path) -> None:
    """Refuse to take the place of a file that is not of the kind its new name promises."""
    kind, is_it = KINDS.get(path.suffix.lower(), CAR)
    largest = path.stat().st_size > MOST_READ
    content = b"" if largest else sim.read_regular(path, MOST_READ)
    if largest or (content.strip() and not is_it(content)):
        message = f"is there already and is not {kind}, allowed: a new name"
        raise sim.one_problem(path, 1, "file", message)
