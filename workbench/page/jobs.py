"""Long work in a process of its own: told on the way, stopped when asked, ended when it must be."""

from __future__ import annotations

import contextlib
import multiprocessing
import re
import threading
import time
from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, Any

import sim

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

GRACE_s = 20.0
"""A job asked to stop and keep its best is ended after this long [s]."""

Tell = Callable[..., None]


class Stopped(KeyboardInterrupt):
    """Raised within a job that was asked to stop, where it next tells how far it is."""


class Job:
    """One piece of work, in its own process.

    Parameters
    ----------
    kind : str
        Name by which its result is kept.
    title : str
        In words, such as "Searching".
    work : str
        ``MODULE:FUNCTION`` called as ``function(tell, **arguments)`` there; ``tell(share, text,
        **more)`` raises `Stopped` once the job is asked to stop.
    **arguments : object
        What it needs, able to be pickled.

    Attributes
    ----------
    share : float
        Share done, 0 to 1.
    text : str
        What is being done.
    more : dict
        Whatever else the work told last, by name.
    result : object
        What it returned, None before.
    about : object
        What it was asked about, as whoever began it says; its answer is stale once that is another.
    problem : str
        Why it failed, in plain words; empty if it did not.
    """

    def __init__(self, kind: str, title: str, work: str, **arguments: object) -> None:
        self.kind, self.title = kind, title
        self.share, self.text, self.problem = 0.0, "starting", ""
        self.more: dict[str, Any] = {}
        self.result: Any = None
        self.about: object = None
        self.ended = self.asked_to_stop = False
        self.version = 0
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=run_work, args=(work, arguments, theirs), daemon=True)
        self._process.start()
        theirs.close()
        threading.Thread(target=self._listen, daemon=True).start()

    @property
    def pid(self) -> int | None:
        """Number of its process."""
        return self._process.pid

    def stop(self, grace_s: float = GRACE_s) -> None:
        """Ask it to stop and give what it has; end it if it has not after a while."""
        self.asked_to_stop = True
        self.text = "stopping"
        with contextlib.suppress(OSError):  # it has ended just now
            self._pipe.send("stop")
        threading.Thread(target=self._end_after, args=(grace_s,), daemon=True).start()

    def end_now(self) -> None:
        """End its process at once."""
        if self._process.is_alive():
            self._process.terminate()
            self._process.join(2.0)
            if self._process.is_alive():
                self._process.kill()
                self._process.join(2.0)

    def _end_after(self, grace_s: float) -> None:
        until = time.monotonic() + grace_s
        while time.monotonic() < until and not self.ended:
            time.sleep(0.05)
        self.end_now()

    def _listen(self) -> None:
        """Take in what the process tells until it has gone."""
        try:
            while True:
                what, *told = self._pipe.recv()
                if what == "told":
                    share, text, more = told
                    self.share = share
                    self.text = self.text if self.asked_to_stop else text
                    self.more |= more
                elif what == "done":
                    self.result = told[0]
                elif what == "failed":
                    self.problem = told[0]
                self.version += 1
        except (EOFError, OSError):
            pass
        self._process.join(5.0)
        if self.result is None and not self.problem:
            self.problem = "stopped" if self.asked_to_stop else "it ended without a result"
        self.ended = True
        self.version += 1


def run_work(work: str, arguments: dict[str, Any], pipe: Connection) -> None:
    """Do the work of a job; the process of a job begins here."""

    def tell(share: float, text: str = "", **more: object) -> None:
        pipe.send(("told", min(max(float(share), 0.0), 1.0), text, more))
        if pipe.poll():
            raise Stopped

    module, _, name = work.partition(":")
    try:
        tell(0.0, "starting")
        function = getattr(import_module(module), name)
        pipe.send(("done", function(tell, **arguments)))
    except sim.EvenidleError as error:
        pipe.send(("failed", plain_problem(error)))
    except KeyboardInterrupt:
        pipe.send(("failed", "stopped"))
    except BrokenPipeError:
        pass  # the server has gone, and with it whoever wanted this
    except Exception as error:
        pipe.send(("failed", f"it failed ({type(error).__name__}: {error})"))
        raise
    finally:
        pipe.close()


def told_beside(error: sim.EvenidleError) -> str:
    """Tell an error beside the field that it is about."""
    told = []
    for one in getattr(error, "problems", ()):
        point = re.match(r"[^\[]*\[(\d+)\]", one.key)
        told.append(f"point {point.group(1)}: {one.message}" if point else one.message)
    return "\n".join(told) or str(error)


def plain_problem(error: sim.EvenidleError) -> str:
    """Tell an error to somebody who has no file with line numbers before them."""
    problems = getattr(error, "problems", ())
    if not problems:
        return str(error)
    told = []
    for one in problems:
        place = "" if one.line <= 1 else f", line {one.line}"
        name = one.file.rpartition("/")[2]
        told.append(f"{name}{place}: {one.key}: {one.message}")
    return "\n".join(told)
