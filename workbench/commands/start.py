"""Where the command line begins: its ends are put in order before anything slow is loaded."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from types import FrameType
from typing import Any, NoReturn

from workbench.output.failing import INTERRUPTED, KEPT, tell_failure


def main() -> int:
    """Run the command line, interruptible from its first moment to its last."""
    open_streams()
    sys.unraisablehook = _unheard
    signal.signal(signal.SIGINT, _end_at_once)
    from workbench.commands.cli import main as run

    signal.signal(signal.SIGINT, _interrupt)
    status = run()
    signal.signal(signal.SIGINT, _end_at_once)
    return status


def open_streams() -> None:
    """Give standard streams that were closed a place to go, and none a sign it cannot write."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            # The lowest free number: no file opened later takes the place of a standard stream.
            setattr(sys, name, os.fdopen(os.open(os.devnull, os.O_RDWR), mode, encoding="utf-8"))
    for stream in (sys.stdout, sys.stderr):
        with suppress(AttributeError, ValueError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]


def _end_at_once(_number: int = signal.SIGINT, _frame: FrameType | None = None) -> NoReturn:
    """End without unwinding: nothing is under way that would be kept."""
    tell_failure(KEPT)
    os._exit(INTERRUPTED)


def _interrupt(number: int, frame: FrameType | None) -> None:
    """Unwind, which keeps what is finished; but not through what would crash or call it a fault of its own.

    That is a compiler, and a module that is being loaded.
    """
    if _compiling() or _loading(frame):
        _end_at_once(number, frame)
    raise KeyboardInterrupt


def _compiling() -> bool:
    """Whether machine code is being made or loaded, in whatever thread."""
    module: Any = sys.modules.get("numba.core.compiler_lock")
    if module is None:
        return False
    lock = module.global_compiler_lock
    if lock.is_locked():
        return True
    free = lock._lock.acquire(blocking=False)
    if free:
        lock._lock.release()
    return not free


def _loading(frame: FrameType | None) -> bool:
    """Whether a module is being loaded there: what builds classes in it may swallow an interruption."""
    while frame is not None and frame.f_code.co_filename != "<frozen importlib._bootstrap>":
        frame = frame.f_back
    return frame is not None


def _unheard(unraisable: Any) -> None:
    """End for an interruption that a callback would swallow."""
    if issubclass(unraisable.exc_type, KeyboardInterrupt):
        _end_at_once()
    sys.__unraisablehook__(unraisable)
