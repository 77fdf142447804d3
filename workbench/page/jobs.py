"""Long work in a process of its own: told on the way, stopped when asked, ended when it must be."""

from __future__ import annotations

import contextlib
import re
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import Connection
from typing import Any

import sim
from workbench.page.beside import SPAWN, begin_worker, end_at_once, processes_of, worked

GRACE_s = 20.0  # A job asked to stop and keep its best is ended after this long [s].

Tell = Callable[..., None]


class Stopped(KeyboardInterrupt):
    """Raised within a job that was asked to stop, where it next tells how far it is."""


class Job:
    """A ``MODULE:FUNCTION``, called in its own process as ``function(tell, **arguments)``."""

    def __init__(self, kind: str, title: str, work: str, **arguments: object) -> None:
        self.kind, self.title = kind, title
        self.share, self.text, self.problem = 0.0, "starting", ""
        self.more: dict[str, Any] = {}
        self.result: Any = None
        self.about: object = None  # its answer is stale once this is another
        self.ended = self.asked_to_stop = False
        self.version, self.grace_s = 0, GRACE_s
        self._pipe, theirs = SPAWN.Pipe()
        pool = ProcessPoolExecutor(1, SPAWN, _begin, (theirs,))
        self._given = pool.submit(run_work, work, arguments)
        self._processes = processes_of(pool)
        self.pid = self._processes[0].pid
        pool.shutdown(wait=False)  # its process ends with this work
        theirs.close()
        threading.Thread(target=self._listen, daemon=True).start()

    def stop(self) -> None:
        """Ask it to stop and give what it has; end it if it has not after a while."""
        self.asked_to_stop = True
        self.text = "stopping"
        with contextlib.suppress(OSError):  # it has ended just now
            self._pipe.send("stop")
        threading.Thread(target=self._end_after, args=(self.grace_s,), daemon=True).start()

    def end_now(self) -> None:
        """End its process at once."""
        end_at_once(self._processes)

    def _end_after(self, grace_s: float) -> None:
        wait([self._given], grace_s)
        self.end_now()

    def _listen(self) -> None:
        with contextlib.suppress(EOFError, OSError):
            while True:
                self.share, text, more = self._pipe.recv()
                self.text = self.text if self.asked_to_stop else text
                self.more |= more
                self.version += 1
        for one in self._processes:
            one.join(5.0)
        self._take(self._given.exception())
        self.ended = True
        self.version += 1

    def _take(self, error: BaseException | None) -> None:
        if error is None:
            self.result = self._given.result()
        elif isinstance(error, BrokenProcessPool):
            self.problem = "stopped" if self.asked_to_stop else "it ended without a result"
        elif isinstance(error, sim.EvenidleError):
            self.problem = plain_problem(error)
        elif isinstance(error, KeyboardInterrupt):
            self.problem = "stopped"
        else:
            self.problem = f"it failed ({type(error).__name__}: {error})"


_ours: list[Connection] = []  # In the process of a job: what it is told by, and tells by.


def _begin(pipe: Connection) -> None:
    begin_worker()
    _ours.append(pipe)


def run_work(work: str, arguments: dict[str, Any]) -> Any:
    """Do the work of a job, in its process."""
    (pipe,) = _ours

    def tell(share: float, text: str = "", **more: object) -> None:
        pipe.send((min(max(float(share), 0.0), 1.0), text, more))
        if pipe.poll():
            raise Stopped

    tell(0.0, "starting")
    return worked(work, tell, **arguments)


def told_beside(error: sim.EvenidleError) -> str:
    """Tell an error beside the field that it is about, and in a table at which point."""
    told = []
    for one in getattr(error, "problems", ()):
        point = re.match(r"[^\[]*\[(\d+)\]", one.key)
        told.append(f"point {point.group(1)}: {one.message}" if point else one.message)
    return "\n".join(told) or str(error)


def plain_problem(error: sim.EvenidleError) -> str:
    """Tell an error to somebody who has no file with line numbers before them, one line a problem."""
    told = []
    for one in getattr(error, "problems", ()):
        place = "" if one.line <= 1 else f", line {one.line}"
        told.append(f"{one.file.rpartition('/')[2]}{place}: {one.key}: {one.message}")
    return "\n".join(told) or str(error)
