"""The journal file: its lock, its last line, and what is refused."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sim.errors import EvenidleError, InputError
from tests.source_tree import ROOT
from tuning.studies import journal as _journal
from tuning.studies.journal import JournalLock, cut_torn_tail, open_journal
from tuning.studies.studies import open_study, run_search

HOLD = """
import sys, time
from pathlib import Path
from tuning.studies.journal import JournalLock
lock = JournalLock(Path(sys.argv[1]))
lock.acquire()
print("held", flush=True)
time.sleep(60)
"""

COUNT = """
import sys
from pathlib import Path
from tuning.studies.journal import JournalLock
lock = JournalLock(Path(sys.argv[1]))
counter = Path(sys.argv[2])
for _ in range(200):
    lock.acquire()
    counter.write_text(str(int(counter.read_text()) + 1))
    lock.release()
"""


@contextmanager
def python(script: str, *arguments: object) -> Iterator[subprocess.Popen[str]]:
    """Run a script in a process of its own, which ends with the block."""
    process = subprocess.Popen(
        [sys.executable, "-c", script, *map(str, arguments)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def some_study(path: Path, trials: int = 3) -> list[dict[str, object]]:
    """Fill a journal; returns the parameters of its trials."""
    study = open_study(path, "any", resume=True, sampler="random")
    run_search(study, lambda trial: trial.suggest_float("x", 0, 1), list, n_trials=trials)
    return [trial.params for trial in study.finished]


def test_lock_of_a_killed_process_is_free_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    journal = tmp_path / "a.journal"
    journal.touch()
    with python(HOLD, journal) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
    monkeypatch.setattr(_journal, "PATIENCE_S", 0.0)  # had at the first try, or not at all
    lock = JournalLock(journal)
    assert lock.acquire()
    lock.release()


def test_lock_of_a_live_process_is_respected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_journal, "PATIENCE_S", 0.5)
    journal = tmp_path / "a.journal"
    journal.touch()
    with python(HOLD, journal) as process:
        assert process.stdout is not None
        process.stdout.readline()
        with pytest.raises(EvenidleError, match=r"held by another process for 0.5 s.*--resume"):
            JournalLock(journal).acquire()


def test_two_processes_never_hold_the_lock_at_once(tmp_path: Path) -> None:
    journal, counter = tmp_path / "a.journal", tmp_path / "counter"
    journal.touch()
    counter.write_text("0")
    with python(COUNT, journal, counter) as one, python(COUNT, journal, counter) as two:
        assert one.wait(60) == two.wait(60) == 0
    assert counter.read_text() == "400"


@pytest.mark.parametrize("lines_cut", [0, 1])
def test_a_line_cut_off_anywhere_costs_that_line_only(tmp_path: Path, lines_cut: int) -> None:
    whole = tmp_path / "whole.journal"
    some_study(whole)
    lines = whole.read_bytes().splitlines(keepends=True)
    if lines_cut:
        lines = lines[:-lines_cut]
    before = b"".join(lines[:-1])
    for length in range(1, len(lines[-1]), 3):
        torn = lines[-1][:length]
        journal = tmp_path / f"{length}.journal"
        journal.write_bytes(before + torn)
        open_journal(journal)
        assert journal.read_bytes() == before
        assert (tmp_path / f"{length}.journal.torn").read_bytes() == torn + b"\n"


def test_a_line_cut_off_while_others_work_is_cut_before_the_next(tmp_path: Path) -> None:
    journal = tmp_path / "a.journal"
    study = open_study(journal, "any", sampler="random")

    def tear(_candidates: object) -> list[float]:
        # Another worker is killed in mid-write while this one evaluates.
        with journal.open("ab") as file:
            file.write(b'{"op_code":4,"worker_id":"x')
        return [1.0]

    run_search(study, lambda trial: trial.suggest_float("x", 0, 1), tear, n_trials=4, batch=1)
    for line in journal.read_bytes().splitlines():
        assert json.loads(line)["op_code"] >= 0
    assert len(open_study(journal, "any", resume=True).finished) == 4
    assert (tmp_path / "a.journal.torn").read_bytes().count(b"\n") == 4


@pytest.mark.parametrize("tail", [b"\0" * 300, b"\0" * 300 + b"\n", b'{"op\n{"op_code":4,\n', b"\n"])
def test_garbage_after_a_power_cut_is_cut(tmp_path: Path, tail: bytes) -> None:
    journal = tmp_path / "a.journal"
    params = some_study(journal)
    before = journal.read_bytes()
    journal.write_bytes(before + tail)
    assert some_study(journal, trials=5)[:3] == params
    assert journal.read_bytes().startswith(before)
    assert (tmp_path / "a.journal.torn").read_bytes().rstrip(b"\n") == tail.rstrip(b"\n")


def test_a_journal_that_ends_well_is_left_as_it_is(tmp_path: Path) -> None:
    journal = tmp_path / "a.journal"
    some_study(journal)
    before = journal.read_bytes()
    assert cut_torn_tail(journal, read_last=True) is None
    open_journal(journal)
    assert journal.read_bytes() == before
    assert {p.name for p in tmp_path.iterdir()} <= {"a.journal", "a.journal.lock"}


def test_damage_in_the_midst_is_named_with_its_line_and_left_alone(tmp_path: Path) -> None:
    journal = tmp_path / "a.journal"
    some_study(journal)
    lines = journal.read_bytes().splitlines(keepends=True)
    lines[4] = lines[4][:20] + lines[4]  # what a plain append after a torn line leaves
    journal.write_bytes(b"".join(lines))
    with pytest.raises(InputError) as told:
        open_journal(journal)
    (problem,) = told.value.problems
    assert (problem.file, problem.line, problem.key) == (str(journal), 5, "storage")
    assert "this line is damaged" in problem.message
    assert journal.read_bytes() == b"".join(lines)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"time_s, rpm\n0.0, 850\n", "is not a journal"),
        (b'{"a": 1}\n', "is not a journal"),
        (b"\n", "is not a journal"),
        (b"\x89PNG\r\n", "is not a journal"),
    ],
)
def test_another_kind_of_file_is_refused_and_left_alone(tmp_path: Path, content: bytes, told: str) -> None:
    file = tmp_path / "drive.log"
    file.write_bytes(content)
    with pytest.raises(InputError, match=told):
        open_study(file, "any")
    assert file.read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["drive.log"]


def test_a_folder_or_a_missing_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.journal").mkdir()
    with pytest.raises(InputError, match="is a folder"):
        open_study(tmp_path / "a.journal", "any")
    with pytest.raises(InputError, match="does not exist; make it first"):
        open_study(tmp_path / "nowhere" / "a.journal", "any")
