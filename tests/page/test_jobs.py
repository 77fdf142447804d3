"""Long work is told, stopped and ended; whatever happens in it, the page goes on."""

from __future__ import annotations

import os
import signal
import socket
import time
from pathlib import Path

import pytest

from sim.errors import InputError
from tests.command.running import run
from workbench.page.jobs import Job, told_beside
from workbench.page.session import Sessions

WORK = "tests.page.slow_work:"


def ended(job: Job, longest_s: float = 300.0) -> Job:
    """The job, when it has ended."""
    until = time.monotonic() + longest_s
    while not job.ended:
        assert time.monotonic() < until, "it goes on"
        time.sleep(0.02)
    return job


def runs(pid: int | None) -> bool:
    """Whether a process is still there."""
    assert pid is not None
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_job_tells_and_gives_its_result() -> None:
    job = ended(Job("a", "Counting", WORK + "count", until=50))
    assert (job.result, job.problem) == (50, "")
    assert job.more == {"last": 49}
    assert not runs(job.pid)


def test_a_job_stops_when_asked() -> None:
    job = Job("a", "Counting", WORK + "count", until=100_000, pause_s=0.01)
    while not job.more:
        time.sleep(0.02)
    job.stop()
    ended(job)
    assert (job.result, job.problem) == (None, "stopped")
    assert not runs(job.pid)


def test_a_stopped_job_may_give_what_it_has() -> None:
    job = Job("a", "Going on", WORK + "keep_what_there_is")
    while job.text != "on and on":
        time.sleep(0.02)
    job.stop()
    assert ended(job).result == "the best so far"


def test_a_job_that_does_not_listen_is_ended() -> None:
    job = Job("a", "Deaf", WORK + "deaf")
    time.sleep(0.5)
    job.grace_s = 0.3
    job.stop()
    assert ended(job).problem == "stopped"
    assert not runs(job.pid)


def test_a_job_that_is_killed_is_told() -> None:
    job = Job("a", "Deaf", WORK + "deaf")
    assert job.pid is not None
    os.kill(job.pid, signal.SIGKILL)
    assert ended(job).problem == "it ended without a result"


@pytest.mark.parametrize(
    ("work", "told"),
    [
        ("refuse", "a.csv, line 7: rpm: no number (x), allowed: a number"),
        ("break_down", "it failed (RuntimeError: nobody thought of this)"),
    ],
)
def test_what_goes_wrong_is_told_in_plain_words(work: str, told: str) -> None:
    assert ended(Job("a", "Trying", WORK + work)).problem == told


def test_a_taken_port_is_told_in_one_line() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        outcome = run("page", "--port", port, "--no-show")
    assert outcome.status == 2
    (line,) = outcome.lines
    assert line.startswith(f"--port:1: port: cannot be had ({port}, ")
    assert line.endswith("allowed: a free port")


def test_sessions_are_apart_and_the_oldest_without_changes_is_forgotten() -> None:
    sessions = Sessions(seed=0)
    first, second = sessions.begin(), sessions.begin()
    first.change("feedback", deadband_rpm=60.0)
    assert first.changed
    assert not second.changed
    assert sessions.get(first.key) is first
    newest = [sessions.begin() for _ in range(40)][-1]
    assert sessions.get(first.key) is first, "changed, and not saved"
    assert sessions.get(second.key) is None
    assert sessions.get(newest.key) is newest


def test_what_a_job_found_outlives_the_next_one_and_goes_with_its_car() -> None:
    session = Sessions(seed=0).begin()
    job = ended(Job("search", "Counting", WORK + "count", until=50))
    job.about = session.car
    session.take_in(job)
    assert session.found["search"] == job.result is not None
    assert session.found_of["search"] == session.car
    session.job = slow = Job("a", "Counting", WORK + "count", until=100_000, pause_s=0.01)
    session.open("twin")
    assert not session.found
    assert not session.found_of
    ended(slow)
    assert not runs(slow.pid)


def test_a_refused_value_leaves_the_work_as_it_was(tmp_path: Path) -> None:
    session = Sessions(seed=0).begin()
    car = session.car
    with pytest.raises(InputError) as refused:
        session.change("curves", base_steps=((0.0, 900.0), (90.0, 10.0)))
    assert told_beside(refused.value).startswith("point 1: too large (900), allowed:")
    assert session.car is car
    with pytest.raises(InputError):
        session.open(str(tmp_path / "gone.toml"))
    assert (session.car, session.file) == (car, None)
