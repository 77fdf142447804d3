"""What a process beside the server does; it loads nothing that a question does not need."""

from __future__ import annotations

import contextlib
import gc
import signal
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

COLLECT_AFTER = 50_000
"""Objects made before the garbage collector looks for cycles, as for commands."""


def run_beside(pipe: Connection) -> None:
    """Answer questions until nobody asks any more; a process beside the server begins here."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the server's: it ends this one
    gc.set_threshold(COLLECT_AFTER)
    with contextlib.suppress(EOFError, OSError):
        while True:
            work, arguments = pipe.recv()
            module, _, name = work.partition(":")
            try:
                told = True, getattr(import_module(module), name)(*arguments)
            except Exception as error:  # noqa: BLE001 (told to whoever asked)
                told = False, f"{type(error).__name__}: {error}"
            pipe.send(told)
