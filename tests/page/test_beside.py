"""Processes beside the page answer, are started anew where they have gone, and end with it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sim import load_car
from tests.page.browsing import Look, serve
from workbench.page.beside import WORK, Beside, NoAnswerError, Runs
from workbench.page.wish import Wish
from workbench.page.work_live import run_view


@pytest.fixture
def beside() -> Iterator[Beside]:
    """One process; it has ended when the test has."""
    one = Beside()
    yield one
    one.end_now()


def test_questions_are_answered_in_turn(beside: Beside) -> None:
    answers = [beside.submit("math:sqrt", number) for number in (4.0, 9.0, 16.0)]
    assert [one.result(300) for one in answers] == [2.0, 3.0, 4.0]


def test_what_cannot_be_answered_is_told(beside: Beside) -> None:
    with pytest.raises(NoAnswerError, match="ValueError"):
        beside.submit("math:sqrt", -1.0).result(300)
    assert beside.submit("math:sqrt", 4.0).result(300) == 2.0


def test_another_is_started_where_one_has_gone(beside: Beside) -> None:
    first = beside.submit("os:getpid").result(300)
    os.kill(first, signal.SIGKILL)
    second = beside.submit("os:getpid").result(300)
    assert second != first
    with pytest.raises(NoAnswerError, match="has gone"):
        beside.submit("os:_exit", 3).result(300)
    assert beside.submit("math:sqrt", 4.0).result(300) == 2.0


def test_it_ends_in_the_middle_of_an_answer() -> None:
    one = Beside()
    pid = one.submit("os:getpid").result(300)
    waiting = one.submit("time:sleep", 600.0)
    time.sleep(0.2)
    one.end_now()
    with pytest.raises(NoAnswerError):
        waiting.result(300)
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_it_ends_when_whoever_asked_is_killed() -> None:
    order = (
        "from workbench.page.beside import Beside\n"
        "if __name__ == '__main__':\n"
        "    print(Beside().submit('os:getpid').result(300), flush=True)\n"
        "    import time; time.sleep(600)"
    )
    with subprocess.Popen([sys.executable, "-c", order], stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        pid = int(server.stdout.readline())
        server.kill()
    until = time.monotonic() + 300.0
    while Path(f"/proc/{pid}").exists() and time.monotonic() < until:
        time.sleep(0.05)
    assert not Path(f"/proc/{pid}").exists()


def test_both_give_what_is_drawn() -> None:
    runs, car = Runs(), load_car("trials")
    wish = Wish(90.0, car.engine.scatter_share)
    told: list[str] = []
    try:
        runs.make_ready(car, wish, lambda: told.append("compiling"))
        drawn = runs.quick.submit(WORK + "idle", car, wish, 0).result(300)
        pressure = runs.slow.submit(WORK + "pressure", car, wish, 0).result(300)
    finally:
        runs.end_now()
    view = run_view(car, wish, 0)
    assert drawn["finding"] == view["finding"]
    assert drawn["spans"]["rpm"] == [float(view["rpm"].min()), float(view["rpm"].max())]
    assert max(value for _, value in drawn["rpm"]) == pytest.approx(view["rpm"].max(), abs=0.051)
    assert 20.0 < min(value for _, value in pressure) < max(value for _, value in pressure) < 105.0


@pytest.mark.browser
def test_the_first_look_after_an_install_says_what_it_waits_for(
    only_browser: Look, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("EVENIDLE_CACHE_DIR", str(tmp_path / "cache"))
    one = serve(tmp_path)
    try:
        only_browser.open(one.address)
        told = only_browser.wait_text("is being compiled for this machine: once, about half a minute")
        assert "Follows when the simulation has been compiled." in told
        log = (tmp_path / "server.log").read_text()
        assert "compiling the simulation once, about half a minute" in log
    finally:
        one.process.terminate()
        # It does not wait for the compiler.
        assert one.process.wait(300) is not None
