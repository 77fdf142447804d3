"""What the commands do alike with a result: tell it in words, write its figures, refuse a wrong place."""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

import sim
import tuning
from workbench.output.drawing import Figure, save_figure
from workbench.output.printing import Screen

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
    ".csv": ("a table of ours", _is_table), ".json": ("a sheet", _is_object),
    ".html": ("a page of ours", _begins(b'<!doctype html>\n<html lang="en"><head><meta charset')),
    ".pdf": ("a PDF", _begins(b"%PDF")), ".png": ("a picture", _begins(b"\x89PNG")),
    ".svg": ("a drawing", _begins(b"<?xml", b"<svg")),
}  # fmt: skip
CAR = ("a car file", _is_car)


def refuse_another_kind(path: Path) -> None:
    """Refuse to take the place of a file that is not of the kind its new name promises."""
    kind, is_it = KINDS.get(path.suffix.lower(), CAR)
    largest = path.stat().st_size > MOST_READ
    content = b"" if largest else sim.read_regular(path, MOST_READ)
    if largest or (content.strip() and not is_it(content)):
        message = f"is there already and is not {kind}, allowed: a new name"
        raise sim.one_problem(path, 1, "file", message)


NAME = re.compile(r"(?:^|,)\s*([A-Za-z]\w*)\s*=")
FEW = 5  # Lines of a result that are printed unless all are wanted.


def say_lines(screen: Screen, result: Any, full: bool, later: Collection[str] = ()) -> None:
    """Print a result in words: its verdict always, the rest unless quiet, what is for ``later`` in full."""
    first, *rest = result.lines()
    screen.verdict(first)
    shown = rest if full else [one for one in rest if one.code not in later][: FEW - 1]
    for line in shown:
        screen.say(line)
    if len(rest) > len(shown):
        screen.say(f"... {len(rest) - len(shown)} more with --full")


def read_logs(
    screen: Screen, logs: Sequence[Path], columns: str | None, full: bool, car: sim.Car | None = None
) -> list[tuning.Log]:
    """Read logs, and say what was recognised in them: a line a column in full, else one for all."""
    by_hand = columns_from_text(columns)
    read = [tuning.read_log(log, by_hand, kept=kept_columns(car)) for log in logs]
    for log in read:
        first, *others = log.summary()
        screen.say(first)
        if not full:
            others = others[len(log.recognised) :]
            named = [name if name == own else f"{own!r} as {name}" for own, name, *_ in log.recognised]
            screen.say(f"  read: {', '.join(named)}")
        for line in others:
            screen.say(line)
    return read


def check_place(path: Path | None, *inputs: str | Path) -> None:
    """See that a file may and can be made there, before the work that will fill it."""
    if path is None:
        return
    folder = path.absolute().parent
    try:
        sim.refuse_no_place(path, shown=path)
        there = path.exists()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise sim.one_problem(path, 1, "file", f"no place for a file ({reason}), allowed: one") from None
    if there:
        for one in map(Path, inputs):
            if one.exists() and one.samefile(path):
                message = "is read by this very command, allowed: another name"
                raise sim.one_problem(path, 1, "file", message)
        refuse_another_kind(path)
    if not folder.is_dir():
        raise sim.one_problem(path, 1, "file", "its folder is not there, allowed: one that is")
    if not os.access(folder, os.W_OK):
        raise sim.one_problem(path, 1, "file", "its folder is closed to you, allowed: one that is not")


def write_as(path: Path, forms: Mapping[str, Callable[[], str | bytes]]) -> None:
    """Write a file whole or not at all; the ending of its name says in which form."""
    kind = path.suffix.lower()
    if kind not in forms:
        message = f'unknown form ("{path.suffix}"), allowed: {", ".join(forms)}'
        raise sim.one_problem(path, 1, "--out", message)
    sim.write_beside(path, forms[kind]())


def made_folder(out: Path) -> Path:
    """Make a folder for output, if it is not there."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        message = f"cannot be made ({reason}), allowed: a place for a folder"
        raise sim.one_problem(out, 1, "folder", message) from None
    return out


def write_figures(screen: Screen, out: Path | None, drawn: Callable[[], Mapping[str, Figure]]) -> list[str]:
    """Draw figures and write them into a folder as PNG, if one was named."""
    if out is None:
        return []
    made_folder(out)
    figures = {out / f"{name}.png": figure for name, figure in drawn().items()}
    for path in figures:
        check_place(path)
    for path, figure in figures.items():
        save_figure(figure, path)
        screen.say(f"written: {path}")
    return [str(path) for path in figures]


def kept_columns(car: sim.Car | None) -> dict[str, str | None] | None:
    """Columns that a car file keeps for its logs."""
    return None if car is None else columns_from_text(car.car.log_columns or None)


def columns_from_text(text: str | None) -> dict[str, str | None] | None:
    """Read ``"rpm=Engine Speed, map=Pressure [inHg]"``."""
    if text is None:
        return None
    found = list(NAME.finditer(text))
    if not found or text[: found[0].start()].strip():
        message = f'not understood ("{text}"), allowed: name=column, name=column'
        raise sim.one_problem("--columns", 1, "columns", message)
    ends = [one.start() for one in found[1:]] + [len(text)]
    pairs = zip(found, ends, strict=True)
    return {one.group(1): text[one.end() : end].strip() or None for one, end in pairs}
