"""Progress on standard error: a bar on a terminal, now and then a line elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Tell = Callable[..., None]
"""Told the share that is done, 0 to 1, and optionally what is being done."""

LINE_EVERY_s = 10.0


@contextmanager
def told_progress(what: str, quiet: bool) -> Iterator[Tell]:
    """Show progress while the block runs."""
    if quiet:
        yield lambda *_: None
    elif sys.stderr.isatty():
        yield from _bar(what)
    else:
        yield _line_teller(what)


def _bar(what: str) -> Iterator[Tell]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %", markup=False),
        TimeElapsedColumn(),
    )
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
