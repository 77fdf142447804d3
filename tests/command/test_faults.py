"""Faults of the machine around a command: nothing is lost, every written file is whole or absent."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import tuning
from sim import car_to_toml, load_car, save_car, with_values
from sim.files import bundled_folder
from tests.command.running import Outcome, run, surroundings, words
from tests.source_tree import ROOT
from workbench.commands.cli import main

FACTS = ("--displacement-cm3", "1275", "--cylinders", "4")
RECORDING = bundled_folder() / "logs" / "trials_recording.csv"
POSIX_ONLY = pytest.mark.skipif(os.name != "posix", reason="limits and modes of another kind")


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {str(one.relative_to(folder)): one.read_bytes() for one in folder.rglob("*") if one.is_file()}


def refused_in_one_line(outcome: Outcome) -> str:
    """The line of a refusal."""
    assert outcome.status == 2, outcome.err
    assert "Traceback" not in outcome.err
    (line,) = outcome.lines
    assert ", allowed: " in line
    return line


@POSIX_ONLY
@pytest.mark.parametrize(
    "command",
    [
        ("new", "car.toml", *FACTS, "--force"), ("simulate", "trials", "--out", "run"),
        ("sheet", "trials", "--out", "sheet.pdf"),
    ],
    ids=lambda one: one[0],
)  # fmt: skip
def test_a_full_disk_leaves_every_file_as_it_was(command: tuple[str, ...], tmp_path: Path) -> None:
    """No file may grow beyond a kilobyte, which ends a write as a full disk does: part of it is written."""
    save_car(load_car("twin"), tmp_path / "car.toml")
    (tmp_path / "run").mkdir()
    before = contents(tmp_path)
    told = subprocess.run(
        ["bash", "-c", 'ulimit -f 1; exec "$@"', "-", *words(*command, "--quiet")],
        cwd=tmp_path, env=surroundings(PYTHONDONTWRITEBYTECODE="1"), stdin=subprocess.DEVNULL,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    # Where nothing is compiled yet, that it cannot be kept is a line of its own.
    said = re.sub(r"^compiled code cannot be kept \(.*\n", "", told.stderr)
    line = refused_in_one_line(Outcome(told.returncode, told.stdout, said))
    assert "cannot be written (" in line
    assert contents(tmp_path) == before


def test_a_module_that_a_full_disk_cut_short_is_told_and_is_no_interruption(tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    for part in ("controllers", "sim", "tuning", "workbench", "scenarios"):
        shutil.copytree(ROOT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__"))
    arguments = ("new", "c.toml", *FACTS)
    assert run(*arguments, folder=tmp_path, PYTHONPATH=str(copy)).status == 0
    for cut in copy.rglob("estimates.*.pyc"):
        cut.write_bytes(cut.read_bytes()[:1024])
    told = run(*arguments[:1], "d.toml", *arguments[2:], folder=tmp_path, PYTHONPATH=str(copy))
    assert "delete its folders __pycache__" in refused_in_one_line(told)
    assert not (tmp_path / "d.toml").exists()


@POSIX_ONLY
@pytest.mark.parametrize("command", [("new", "car.toml", *FACTS), ("check", "trials", "--json")])
def test_a_folder_that_is_closed_is_told_in_one_line(command: tuple[str, ...], tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    if os.access(closed, os.W_OK):  # root is let in everywhere but where the system itself lets nobody
        closed = Path("/proc")
    outcome = run(*(str(closed / one) if one.endswith(".toml") else one for one in command), folder=closed)
    if command[0] == "check":  # needs no file of its own
        assert outcome.status == 0, outcome.err
    else:
        refused_in_one_line(outcome)
    assert not (closed / "car.toml").exists()


def test_what_comes_into_the_place_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a command computes, its owner changes the car file and writes to where the result will go."""
    mine, out = tmp_path / "mine.toml", tmp_path / "out.toml"
    save_car(load_car("trials"), mine)
    theirs = car_to_toml(load_car("six"))
    changed = mine.read_text(encoding="utf-8") + "# wet Tuesday\n"
    real = tuning.fit

    def meanwhile(*given: object, **named: object) -> object:
        found = real(*given, **named)  # type: ignore[arg-type] # passed on as they are
        mine.write_text(changed, encoding="utf-8")
        out.write_text(theirs, encoding="utf-8")
        return found

    monkeypatch.setattr(tuning, "fit", meanwhile)
    assert main(["fit", str(mine), str(RECORDING), "--out", str(out), "--quiet"]) == 0
    assert mine.read_text(encoding="utf-8") == changed
    assert (tmp_path / "out.toml.bak").read_text(encoding="utf-8") == theirs
    assert load_car(out).car.basis == "fitted"
    assert "# wet Tuesday" in out.read_text(encoding="utf-8")
    assert len(contents(tmp_path)) == 3


def test_a_log_that_goes_meanwhile_is_told(tmp_path: Path) -> None:
    half = tmp_path / "half.csv"
    half.write_bytes(RECORDING.read_bytes()[:7000])  # as a recorder that still writes leaves it
    assert run("diagnose", half, "--quiet").status == 0
    half.unlink()
    assert "not found" in refused_in_one_line(run("diagnose", half))


def test_two_runs_on_one_output_leave_a_whole_file_and_the_owner_s(tmp_path: Path) -> None:
    mine = car_to_toml(with_values(load_car("trials"), {"car": {"note": "mine"}})).encode()
    (tmp_path / "car.toml").write_bytes(mine)
    sizes = (1275.0, 1400.0, 1600.0)
    runs = [
        subprocess.Popen(
            words("new", "car.toml", "--displacement-cm3", size, "--cylinders", 4, "--force", "--quiet"),
            cwd=tmp_path, env=surroundings(), stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )
        for size in sizes
    ]  # fmt: skip
    told = [one.communicate()[1] for one in runs]
    assert [one.returncode for one in runs] == [0, 0, 0], told
    assert load_car(tmp_path / "car.toml").engine.displacement_cm3 in sizes
    left = contents(tmp_path)
    assert mine in left.values()
    assert all(name.startswith("car.toml") for name in left), "nothing half written stays"
    for name in left:
        load_car(tmp_path / name)


SURROUNDINGS = {
    "no home folder": {"HOME": "/nonexistent", "XDG_CACHE_HOME": "", "XDG_STATE_HOME": ""},
    "decimal comma": {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8", "LC_NUMERIC": "de_DE.UTF-8"},
    "plain ASCII": {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
    "a dumb terminal": {"TERM": "dumb"},
    "forty columns": {"COLUMNS": "40"},
}


@pytest.fixture(scope="module")
def cache() -> str:
    """Where this run's compiled code is, so that no surroundings compile it again."""
    from controllers.compiling import cache_root

    return str(cache_root())


@pytest.mark.parametrize("kind", SURROUNDINGS)
def test_surroundings_change_nothing_that_is_computed(kind: str, cache: str) -> None:
    plain = run("check", "trials", "--json").result
    around = SURROUNDINGS[kind] | {"EVENIDLE_CACHE_DIR": cache}
    told = run("check", "trials", "--json", folder=None, **around)
    assert told.status == 0, told.err
    assert told.result == plain
    shown = run("check", "trials", "--full", folder=None, **around)
    assert shown.status == 0, shown.err
    assert "\x1b" not in shown.out, "no terminal, no colour"
    if kind == "forty columns":
        table = shown.out
        rows = [line for line in table.splitlines() if line.lstrip().startswith(("pass ", "WARN "))]
        assert rows
        assert max(map(len, rows)) <= 40


def test_names_of_any_script_are_taken(tmp_path: Path) -> None:
    folder = tmp_path / "Zündung 空転"
    folder.mkdir()
    car = folder / "mein Motor µ.toml"
    assert run("new", car, *FACTS).status == 0
    ran = run("simulate", car, "--out", folder / "lauf ω", "--json")
    assert ran.status == 0, ran.err
    assert all(Path(one).is_file() for one in ran.result["files"])
    log = next(one for one in ran.result["files"] if one.endswith(".csv"))
    assert run("diagnose", log, "--car", car, "--quiet").status == 0


@pytest.mark.skipif(sys.platform == "win32", reason="names there are text")
def test_a_name_that_is_no_text_is_told(tmp_path: Path) -> None:
    name = os.fsdecode(b"\xff.toml")
    assert "not found" in refused_in_one_line(run("check", name, folder=tmp_path))


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are of POSIX")
@pytest.mark.parametrize("wanted", [True, False])
def test_colour_is_for_terminals_that_want_it(wanted: bool) -> None:
    import pty

    terminal, theirs = pty.openpty()
    around = surroundings(TERM="xterm-256color", **({} if wanted else {"NO_COLOR": "1"}))
    with subprocess.Popen(
        words("check", "trials"), env=around, stdin=theirs, stdout=theirs, stderr=theirs
    ) as process:
        os.close(theirs)
        shown = b""
        while True:
            try:
                piece = os.read(terminal, 65536)
            except OSError:  # it has ended
                break
            if not piece:
                break
            shown += piece
    os.close(terminal)
    assert process.returncode == 0
    assert (b"\x1b[33mWARN" in shown or b"\x1b[33m" in shown) is wanted
    assert b"WARN" in shown
