"""Starting worker processes on one study, and checking what is left of it afterwards."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tests.command.study_worker import value
from tests.source_tree import ROOT

if TYPE_CHECKING:
    from optuna.storages import BaseStorage, RDBStorage
    from optuna.trial import FrozenTrial

WORKER = ROOT / "tests" / "command" / "study_worker.py"
BATCH = 4
LONGEST_s = 600.0
"""After so long a process hangs: no machine is that slow, and a test that passes never waits for it."""


@dataclass
class Process:
    """A worker process and the ledger it writes."""

    process: subprocess.Popen[str]
    ledger: Path

    def wait_until(self, done: Callable[[Path], bool], within_s: float = LONGEST_s) -> None:
        """Wait until its ledger says so; if it never does, show where the process hangs."""
        deadline = time.monotonic() + within_s
        while not done(self.ledger):
            if self.process.poll() is None and time.monotonic() > deadline:
                self.process.send_signal(signal.SIGABRT)  # the fault handler writes its stack
                self.process.wait(10)
            assert self.process.poll() is None, self.process.communicate()[1]
            time.sleep(0.01)

    def wait_for_a_moment(self, kill: int, moments: random.Random) -> None:
        """Wait for a random moment while it opens the study, tells its first batch, or goes on."""
        self.wait_until((is_ready, evaluates, tells, tells)[kill % 4])
        time.sleep(moments.uniform(0.0, 0.2))

    def kill(self) -> None:
        """Send SIGKILL, which no process can hold back, and collect what is left."""
        self.process.kill()
        self.process.wait()
        if self.process.stderr is not None:
            self.process.stderr.close()

    def finish(self, within_s: float = LONGEST_s) -> None:
        _, told = self.process.communicate(timeout=within_s)
        assert self.process.returncode == 0, told


def start(storage: str, ledger: Path, trials: int, seconds: float = 0.02) -> Process:
    """Start a worker that goes on until the study holds so many finished trials.

    Whoever starts workers is to use the fixture `start_worker`, which leaves none behind.
    """
    command = [sys.executable, str(WORKER), storage, str(ledger), str(trials), str(BATCH)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONFAULTHANDLER": "1"}
    process = subprocess.Popen([*command, str(seconds)], stderr=subprocess.PIPE, text=True, env=environment)
    return Process(process, ledger)


def start_together(
    start_worker: Callable[..., Process], storage: str, ledgers: Iterable[Path], trials: int
) -> list[Process]:
    """Start workers that begin once all are ready: none is done before another has come.

    Their evaluations take long beside the storage, as those of engines do: a storage that only one at
    a time may write to is free for the others meanwhile.
    """
    holds = [Path(f"{ledger}.hold") for ledger in ledgers]
    for hold in holds:
        hold.touch()
    workers = [start_worker(storage, hold.with_suffix(""), trials, seconds=0.2) for hold in holds]
    for worker in workers:
        worker.wait_until(is_ready)
    for hold in holds:
        hold.unlink()
    return workers


def lines_of(ledger: Path) -> list[str]:
    return ledger.read_text("utf-8").splitlines() if ledger.exists() else []


def is_ready(ledger: Path) -> bool:
    return "r" in lines_of(ledger)


def evaluates(ledger: Path) -> bool:
    return evaluated(ledger) != []


def tells(ledger: Path) -> bool:
    return "t" in lines_of(ledger)


def stays(ledger: Path) -> bool:
    return "s" in lines_of(ledger)


def evaluated(ledger: Path) -> list[float]:
    """Every x that was evaluated, told or not."""
    return [float(line[2:]) for line in lines_of(ledger) if line.startswith("e ")]


def told(ledger: Path) -> list[float]:
    """Every x whose batch was told: it must never be lost again."""
    lines = lines_of(ledger)
    marks = [place for place, line in enumerate(lines) if line == "t"]
    before = lines[: marks[-1]] if marks else []
    return [float(line[2:]) for line in before if line.startswith("e ")]


def read_plainly(storage: str) -> list[FrozenTrial]:
    """Read the study with optuna alone, so that no code of ours mends anything first."""
    import optuna

    if "://" not in storage:
        journal = optuna.storages.journal.JournalFileBackend(storage)
        return _trials_of_shared(optuna.storages.JournalStorage(journal))
    rows = _opened(storage.replace("postgresql:", "postgresql+psycopg:"))
    try:
        return _trials_of_shared(rows)
    finally:
        rows.engine.dispose()


def _opened(url: str) -> RDBStorage:
    """Open a database; optuna alone cannot while a worker is at making its tables, so try again."""
    deadline = time.monotonic() + LONGEST_s
    from optuna.storages import RDBStorage
    from sqlalchemy.exc import SQLAlchemyError

    while True:
        try:
            return RDBStorage(url)
        except (SQLAlchemyError, RuntimeError, AssertionError):  # half made: as `open_storage` sees it
            if time.monotonic() > deadline:
                raise
            time.sleep(0.1)


def _trials_of_shared(storage: BaseStorage) -> list[FrozenTrial]:
    import optuna

    if "shared" not in optuna.get_all_study_names(storage):
        return []  # a worker may be killed before it has made the study
    return optuna.load_study(study_name="shared", storage=storage).trials


def complete(trials: Iterable[FrozenTrial]) -> list[FrozenTrial]:
    return [trial for trial in trials if trial.state.name == "COMPLETE"]


def enough_to_clear(trials: list[FrozenTrial]) -> int:
    """How many finished trials the study holds once all that is open was evaluated, and some."""
    open_ones = [trial for trial in trials if not trial.state.is_finished()]
    return len(complete(trials)) + len(open_ones) + 2 * BATCH


def check_nothing_lost_or_doubled(trials: list[FrozenTrial], ledgers: Iterable[Path]) -> None:
    """What was told is there, once, with the value that its parameters give."""
    assert [trial.number for trial in trials] == list(range(len(trials)))
    times = Counter(trial.params["x"] for trial in complete(trials))
    assert set(times.values()) <= {1}, [x for x, n in times.items() if n > 1]
    lost = {x for ledger in ledgers for x in told(ledger)} - times.keys()
    assert not lost, lost
    for trial in complete(trials):
        assert trial.value == value((trial.params["x"], trial.params.get("y", 0.0)))


def check_nothing_left_open(trials: list[FrozenTrial]) -> None:
    """Every trial is finished, and what dead workers left was evaluated by another.

    A trial over which too many workers died is given up, as is told in its user attributes.
    """
    left_open = [
        (trial.number, trial.state.name, trial.params, trial.user_attrs)
        for trial in trials
        if not trial.state.is_finished()
    ]
    assert not left_open, left_open
    done = {trial.params["x"] for trial in complete(trials)}
    left = [t for t in trials if t.state.name == "FAIL" and "no_value" not in t.user_attrs]
    left = [trial for trial in left if "x" in trial.params]
    assert all(trial.params["x"] in done for trial in left)
    evaluated_ones = [t for t in trials if t.state.name == "COMPLETE" or "no_value" in t.user_attrs]
    assert {t.user_attrs.get("start") for t in evaluated_ones} >= {"left", "right"}
