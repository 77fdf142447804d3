"""Processes beside the server that hold the compiled simulation and answer one question at a time."""

from __future__ import annotations

import multiprocessing
import threading
from concurrent.futures import Future
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import sim
from workbench.page.answering import run_beside

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

    from workbench.page.wish import Wish

TRIES = 2
WORK = "workbench.page.work_live:"
"""Where questions are answered."""
Question = tuple[str, tuple[Any, ...], "Future[Any]"]


class NoAnswerError(RuntimeError):
    """A question that could not be answered; the text says why."""


class Beside:
    """One process, started anew where it has gone."""

    def __init__(self) -> None:
        self._ended = threading.Event()
        self._process: BaseProcess | None = None
        self._pipe: Connection | None = None
        self._asked: SimpleQueue[Question | None] = SimpleQueue()
        threading.Thread(target=self._pass_on, daemon=True).start()

    def start(self) -> None:
        """Start the process now, and not with the first question; only before that."""
        self._pipe = self._begin()

    def submit(self, work: str, *arguments: object) -> Future[Any]:
        """Ask something; questions are answered in turn."""
        future: Future[Any] = Future()
        self._asked.put((work, arguments, future))
        return future

    async def ask(self, work: str, *arguments: object) -> Any:
        """Ask something and wait for it."""
        from asyncio import wrap_future  # a process may be started before it is loaded

        return await wrap_future(self.submit(work, *arguments))

    @property
    def pid(self) -> int | None:
        """Number of its process; None while there is none."""
        return None if self._process is None else self._process.pid

    def end_now(self) -> None:
        """End the process at once; nothing is answered any more."""
        self._ended.set()
        self._asked.put(None)
        if self._process is not None:
            self._process.kill()
            self._process.join(2.0)

    def _pass_on(self) -> None:
        """Pass on one question after the other, in a thread that waits for each answer."""
        while not self._ended.is_set():
            question = self._asked.get()
            if question is None:
                return
            work, arguments, future = question
            if not future.set_running_or_notify_cancel():
                continue  # whoever asked has gone
            good, answer = self._answer_somehow(work, arguments)
            if good:
                future.set_result(answer)
            else:
                future.set_exception(NoAnswerError(answer))

    def _answer_somehow(self, work: str, arguments: tuple[Any, ...]) -> tuple[bool, Any]:
        told = "the process beside the page has gone"
        for _ in range(TRIES):
            try:
                return self._answer(work, arguments)
            except (EOFError, OSError):
                self._pipe = None  # the process has gone: another is started
            except Exception as error:  # noqa: BLE001 (told to whoever asked; the thread lives on)
                told = f"{type(error).__name__}: {error}"
        return False, told

    def _answer(self, work: str, arguments: tuple[Any, ...]) -> tuple[bool, Any]:
        if self._pipe is None:
            self._pipe = self._begin()
        self._pipe.send((work, arguments))
        good, answer = self._pipe.recv()
        return bool(good), answer

    def _begin(self) -> Connection:
        if self._ended.is_set():
            raise EOFError
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=run_beside, args=(theirs,), daemon=True)
        process.start()
        self._process = process
        theirs.close()
        if self._ended.is_set():  # while it was being started
            process.kill()
        return ours


class Runs:
    """The two processes of a server: one draws, the other thinks about what was drawn."""

    def __init__(self) -> None:
        self.quick = Beside()
        self.quick.start()
        self._compiled = self.quick.submit(WORK + "is_compiled")
        self.slow = Beside()

    def make_ready(self, car: sim.Car, wish: Wish, on_compiling: Callable[[], None]) -> None:
        """Load the compiled simulation, or compile it: each process its own part of it."""
        drawn = self.quick.submit(WORK + "idle", car, wish, 0)

        def on_drawn(_: object) -> None:
            # Not before: the one would delay the other, or compile the same a second time.
            self.slow.submit(WORK + "pressure", car, wish, 0)
            self.slow.submit(WORK + "chance", car, wish.coolant_degC)

        def on_told(told: Future[Any]) -> None:
            if told.exception() is None and not told.result():
                on_compiling()
                self.slow.submit(WORK + "pressure", car, wish, 0)  # the single run, on its own
            drawn.add_done_callback(on_drawn)

        self._compiled.add_done_callback(on_told)

    def end_now(self) -> None:
        """End both."""
        self.quick.end_now()
        self.slow.end_now()
