"""Processes beside the server that hold the compiled simulation and answer one question at a time.

The server itself loads neither the compiler nor the arrays: no run, however long, makes the page wait.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from importlib import import_module
from typing import TYPE_CHECKING, Any

import sim

if TYPE_CHECKING:
    from multiprocessing.process import BaseProcess

    from workbench.page.wish import Wish

TRIES = 2
WORK = "workbench.page.work_live:"  # Where questions are answered.
COLLECT_AFTER = 50_000  # Objects made before the garbage collector looks for cycles, as for commands.
SPAWN = multiprocessing.get_context("spawn")


class NoAnswerError(RuntimeError):
    """A question that could not be answered; the text says why."""


def begin_worker() -> None:
    """Make a process ready that works for this one, and ends with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the server's: it ends this one
    gc.set_threshold(COLLECT_AFTER)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def worked(work: str, *arguments: object, **named: object) -> Any:
    """Call ``MODULE:FUNCTION``; its module is loaded here, and nothing that it does not need."""
    module, _, name = work.partition(":")
    return getattr(import_module(module), name)(*arguments, **named)


def processes_of(pool: ProcessPoolExecutor) -> list[BaseProcess]:
    """The processes of a pool, which has no public name for them before Python 3.14."""
    return list((pool._processes or {}).values())


def end_at_once(processes: list[BaseProcess]) -> None:
    """End processes in the middle of whatever they do."""
    for one in processes:
        one.kill()
        one.join(2.0)


class Beside:
    """One process, started anew where it has gone."""

    def __init__(self) -> None:
        self._ended = False
        self._pool = self._begin()

    def submit(self, work: str, *arguments: object) -> Future[Any]:
        """Ask something; questions are answered in turn, or end in `NoAnswerError`."""
        answer: Future[Any] = Future()
        self._ask(answer, TRIES, (work, *arguments))
        return answer

    async def ask(self, work: str, *arguments: object) -> Any:
        """Ask something and wait for it."""
        from asyncio import wrap_future  # a process may be started before it is loaded

        return await wrap_future(self.submit(work, *arguments))

    def end_now(self) -> None:
        """End the process at once; nothing is answered any more."""
        self._ended = True
        end_at_once(processes_of(self._pool))
        self._pool.shutdown(cancel_futures=True)  # waits, so that nothing of it is left to be cleaned up

    def _begin(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(1, SPAWN, begin_worker)

    def _ask(self, answer: Future[Any], tries: int, question: tuple[Any, ...]) -> None:
        pool = self._pool

        def told(asked: Future[Any]) -> None:
            error = asked.exception()
            if isinstance(error, BrokenProcessPool) and tries > 1 and not self._ended:
                if self._pool is pool:
                    self._pool = self._begin()
                self._ask(answer, tries - 1, question)
            elif not answer.set_running_or_notify_cancel():
                return  # whoever asked has gone
            elif error is None:
                answer.set_result(asked.result())
            else:
                gone = isinstance(error, BrokenProcessPool)
                why = "the process beside the page has gone" if gone else f"{type(error).__name__}: {error}"
                answer.set_exception(NoAnswerError(why))

        try:
            asked = pool.submit(worked, *question)
        except RuntimeError as error:  # it has gone, or has been ended
            asked = Future()
            asked.set_exception(error)
        asked.add_done_callback(told)


class Runs:
    """The two processes of a server: ``quick`` draws, ``slow`` thinks about what was drawn."""

    def __init__(self) -> None:
        self.quick = Beside()  # loads the compiler's library while the server loads its own
        self._compiled = self.quick.submit("controllers:is_warm")
        self.slow = Beside()

    def make_ready(self, car: sim.Car, wish: Wish, on_compiling: Callable[[], None]) -> None:
        """Load the compiled simulation, or compile it: each process its own part of it."""
        drawn = self.quick.submit(WORK + "idle", car, wish, 0)

        def on_drawn(_: object) -> None:
            # Not before: the one would delay the other.
            self.slow.submit(WORK + "pressure", car, wish, 0)
            self.slow.submit(WORK + "chance", car, wish.coolant_degC, 0)

        def on_told(told: Future[Any]) -> None:
            if told.exception() is None and not told.result():
                on_compiling()
                self.slow.submit("workbench.output.first_run:compile_all")
            drawn.add_done_callback(on_drawn)

        self._compiled.add_done_callback(on_told)

    def end_now(self) -> None:
        """End both."""
        self.quick.end_now()
        self.slow.end_now()
