"""What commands print: tables for people or one JSON object, progress beside it."""

from __future__ import annotations

import json
import math
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NoReturn

import typer

import sim
import tuning
from workbench.output.failing import object_printed
from workbench.words.cautions import basis_words, caution_lines, is_untrusted

if TYPE_CHECKING:
    from rich.console import Console

    from workbench.words.tables import Table

Tell = Callable[..., None]  # Told the share that is done, 0 to 1, and optionally what is being done.

LINE_EVERY_s = 10.0


def _bar(what: str) -> Iterator[Tell]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}", markup=False), BarColumn(),
        TextColumn("{task.percentage:>3.0f} %", markup=False), TimeElapsedColumn(),
    )  # fmt: skip
    console = Console(stderr=True, highlight=False, markup=False)
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=1.0)

        def tell(share: float, text: str = "") -> None:
            described = f"{what}: {text}" if text else what
            bar.update(task, completed=min(max(share, 0.0), 1.0), description=described)

        yield tell


def _line_teller(what: str) -> Tell:
    last_s = time.monotonic()

    def tell(share: float, text: str = "") -> None:
        nonlocal last_s
        now_s = time.monotonic()
        if now_s - last_s >= LINE_EVERY_s:
            last_s = now_s
            tail = f", {text}" if text else ""
            sys.stderr.write(f"{what}: {100.0 * min(max(share, 0.0), 1.0):.0f} %{tail}\n")
            sys.stderr.flush()

    return tell


SIGNS = {"pass": "pass", "warn": "WARN", "fail": "FAIL"}
"""How a verdict is written: told apart without colour."""
STYLES = {"pass": "green", "warn": "yellow", "fail": "bold red"}


def plain(value: Any) -> Any:
    """Turn a result into what JSON can hold: no nan or infinity, no arrays."""
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if hasattr(value, "tolist"):  # arrays and numbers of numpy
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return str(value)


class Screen:
    """Where one command prints."""

    def __init__(self, command: str, as_json: bool, quiet: bool) -> None:
        self.command = command
        self.as_json = as_json
        self.quiet = quiet
        self._cautioned = False
        self._basis = ""

    def _console(self, to_error: bool = False) -> Console:
        from rich.console import Console

        # Highlighting and markup would read file names and brackets as instructions.
        return Console(stderr=to_error, highlight=False, markup=False, emoji=False, soft_wrap=True)

    def say(self, told: str | tuning.Note = "") -> None:
        """Print a line of the result, unless only the verdict or JSON is wanted."""
        if not (self.as_json or self.quiet):
            self._console().print(_worded(told))

    def caution(self, car: sim.Car | None = None) -> None:
        """Say once, before anything that somebody may act on, what to see to and what the numbers are."""
        if not self._cautioned:
            self._cautioned = True
            for line in caution_lines():
                self.say(line)
        if car is not None:
            self.basis(car)

    def basis(self, car: sim.Car) -> None:
        """Say once what the car's numbers are; also when quiet where they are not to be trusted."""
        if not self._basis:
            self._basis = basis_words(car)
            tell = self.verdict if is_untrusted(car) else self.say
            tell(self._basis)

    def verdict(self, told: str | tuning.Note, kind: str = "") -> None:
        """Print the line that sums up, also when quiet."""
        if not self.as_json:
            self._console().print(_worded(told), style=STYLES.get(kind, ""))

    def note(self, text: str) -> None:
        """Say something about the way there, on standard error."""
        if not self.quiet:
            # Not by the console, whose library takes a tenth of a second to load.
            print(text, file=sys.stderr, flush=True)  # noqa: T201 (what commands print)

    def address(self, address: str) -> None:
        """Say where to go, also when quiet: nobody can guess it."""
        told = address if self.quiet else f"open {address} ; Ctrl-C ends it"
        print(told, file=sys.stderr, flush=True)  # noqa: T201 (what commands print)

    def table(self, title: str, table: Table) -> None:
        """Print a table."""
        if self.as_json or self.quiet:
            return
        from rich import box
        from rich import table as tables
        from rich.text import Text

        printed = tables.Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
        for name, mark in zip(table.columns, table.right.ljust(len(table.columns)), strict=False):
            printed.add_column(name, justify="right" if mark == "r" else "left", overflow="fold")
        for row in table.rows:
            printed.add_row(
                *(
                    Text(cell, style=next((STYLES[kind] for kind, sign in SIGNS.items() if cell == sign), ""))
                    for cell in row
                )
            )
        self._console().print(printed, soft_wrap=False)

    @contextmanager
    def progress(self, what: str) -> Iterator[Tell]:
        """Show progress on standard error while the block runs."""
        if self.quiet:
            yield lambda *_: None
        elif sys.stderr.isatty():
            yield from _bar(what)
        else:
            yield _line_teller(what)

    def warn_of_compiling(self) -> None:
        """On first use after an install, say why it takes a while, and have a second core help."""
        from workbench.output.first_run import begin_compiling

        if begin_compiling(self.note):
            self.tell_of_compiling()

    def tell_of_compiling(self) -> None:
        """Say that this run waits for compiling."""
        self.note("compiling the simulation once, about half a minute")

    def finish(self, result: Mapping[str, Any], bad: bool = False) -> NoReturn:
        """End the command: print the JSON object if wanted, and set the exit status."""
        if self.as_json:
            from workbench.words.wording import worded

            known = {"basis": self._basis} if self._basis else {}
            told = worded({"command": self.command, **known, **result})
            text = json.dumps(plain(told), allow_nan=False)
            sys.stdout.write(text + "\n")
            object_printed()
        sys.stdout.flush()
        raise typer.Exit(1 if bad else 0)


def _worded(told: Any) -> str:
    if isinstance(told, str):
        return told
    from workbench.words.wording import in_words

    return in_words(told)
