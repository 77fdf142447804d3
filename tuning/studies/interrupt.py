"""Ctrl-C between two steps, never within one."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any


class Interrupt:
    """Holds the first Ctrl-C back while something is written; does nothing outside the main thread."""

    def __init__(self) -> None:
        self._asked = False
        self._outer: Any = None
        self._active = False

    def _hold_back(self, _number: int, _frame: FrameType | None) -> None:
        if self._asked:
            raise KeyboardInterrupt
        self._asked = True

    def raise_if_asked(self) -> None:
        """Raise the KeyboardInterrupt that was held back, if any."""
        if self._asked:
            raise KeyboardInterrupt

    @contextmanager
    def held_back(self) -> Iterator[Interrupt]:
        """Hold Ctrl-C back while the block runs; it is raised by `raise_if_asked` or `open`."""
        # A handler of somebody else's is not ours to replace.
        if (
            threading.current_thread() is not threading.main_thread()
            or signal.getsignal(signal.SIGINT) is not signal.default_int_handler
        ):
            yield self
            return
        self._outer = signal.signal(signal.SIGINT, self._hold_back)
        self._active = True
        try:
            yield self
        finally:
            self._active = False
            signal.signal(signal.SIGINT, self._outer)

    @contextmanager
    def open(self) -> Iterator[None]:
        """Let Ctrl-C through at once while the block runs."""
        self.raise_if_asked()
        if not self._active:
            yield
            return
        signal.signal(signal.SIGINT, self._outer)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, self._hold_back)
