"""Studies under real processes: shared by two, killed with SIGKILL, stopped with Ctrl-C."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.command.study_processes import (
    BATCH,
    LONGEST_s,
    Process,
    check_nothing_left_open,
    check_nothing_lost_or_doubled,
    complete,
    evaluated,
    read_plainly,
    start_together,
    stays,
    tells,
    told,
)
from tests.source_tree import ROOT

KILLS = 20


@pytest.mark.parametrize("kind", ["journal", "sqlite"])
def test_two_processes_share_a_study(kind: str, tmp_path: Path, start_worker: Callable[..., Process]) -> None:
    path = tmp_path / f"shared.{kind}"
    storage = f"sqlite:///{path}" if kind == "sqlite" else str(path)
    wanted = 60 if kind == "journal" else 24
    workers = start_together(start_worker, storage, [tmp_path / "ledger0", tmp_path / "ledger1"], wanted)
    for worker in workers:
        worker.finish()
    trials = read_plainly(storage)
    done = complete(trials)
    assert wanted <= len(done) <= wanted + 2 * BATCH
    ledgers = [worker.ledger for worker in workers]
    check_nothing_lost_or_doubled(trials, ledgers)
    check_nothing_left_open(trials)
    shares = [evaluated(ledger) for ledger in ledgers]
    assert sorted(shares[0] + shares[1]) == sorted(trial.params["x"] for trial in done)
    assert min(len(share) for share in shares) > 0


@pytest.mark.parametrize(("kind", "kills"), [("journal", KILLS), ("sqlite", KILLS // 4)])
def test_kill_at_random_moments_loses_nothing_finished(
    kind: str, kills: int, tmp_path: Path, start_worker: Callable[..., Process]
) -> None:
    path = tmp_path / f"shared.{kind}"
    storage = f"sqlite:///{path}" if kind == "sqlite" else str(path)
    moments = random.Random(20)
    ledgers = [tmp_path / f"ledger{i}" for i in range(kills + 2)]
    workers = [start_worker(storage, ledgers[i], trials=10**6) for i in (0, 1)]
    kept: dict[int, float | None] = {}
    for kill in range(kills):
        victim = workers.pop(0)
        victim.wait_for_a_moment(kill, moments)
        victim.kill()
        workers.append(start_worker(storage, ledgers[kill + 2], trials=10**6))
        now = {trial.number: trial.value for trial in complete(read_plainly(storage))}
        assert kept.items() <= now.items()
        kept = now
    for worker in workers:
        worker.kill()
    assert len(kept) > kills // 2
    last = start_worker(storage, tmp_path / "ledger_last", trials=len(kept) + 10 * BATCH, seconds=0.0)
    last.finish()
    trials = read_plainly(storage)
    assert kept.items() <= {trial.number: trial.value for trial in complete(trials)}.items()
    check_nothing_lost_or_doubled(trials, [*ledgers, last.ledger])
    check_nothing_left_open(trials)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGINT to send to one process")
def test_control_c_keeps_what_is_finished_and_queues_the_rest(
    tmp_path: Path, start_worker: Callable[..., Process]
) -> None:
    storage = str(tmp_path / "shared.journal")
    worker = start_worker(storage, tmp_path / "ledger", trials=10**6)
    worker.wait_until(tells)
    (tmp_path / "ledger.stay").touch()
    worker.wait_until(stays)
    os.kill(worker.process.pid, signal.SIGINT)
    _, said = worker.process.communicate(timeout=LONGEST_s)
    assert worker.process.returncode != 0
    assert "KeyboardInterrupt" in said
    trials = read_plainly(storage)
    check_nothing_lost_or_doubled(trials, [worker.ledger])
    states = [trial.state.name for trial in trials]
    assert "RUNNING" not in states
    assert states.count("WAITING") == states.count("FAIL") == BATCH
    resumed = start_worker(storage, tmp_path / "resumed", len(complete(trials)) + BATCH, seconds=0.0)
    resumed.finish()
    trials = read_plainly(storage)
    check_nothing_lost_or_doubled(trials, [worker.ledger, resumed.ledger])
    check_nothing_left_open(trials)


FULL_DISK = """
import resource, sys
from tests.command.study_worker import main
# A file that may not grow beyond this many bytes ends in a half-written line, as on a full disk.
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, resource.RLIM_INFINITY))
from sim.errors import EvenidleError
try:
    main(sys.argv[1], sys.argv[2], 10**6, 4, 0.0)
except EvenidleError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit for the size of a file")
def test_a_full_disk_loses_nothing_finished(tmp_path: Path, start_worker: Callable[..., Process]) -> None:
    journal, ledger = tmp_path / "shared.journal", tmp_path / "ledger"
    stopped = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(journal), str(ledger)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert "the study's storage was lost" in stopped.stdout
    assert "run again with --resume" in stopped.stdout
    assert "Traceback" not in stopped.stderr
    assert len(told(ledger)) > 2 * BATCH
    resumed = start_worker(str(journal), tmp_path / "resumed", len(told(ledger)) + 20, seconds=0.0)
    resumed.finish()
    trials = read_plainly(str(journal))
    check_nothing_lost_or_doubled(trials, [ledger, resumed.ledger])
    check_nothing_left_open(trials)
