"""Bad files and bad usage: one line a problem with file and line, exit status 2, no traceback."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sim.files import bundled_folder
from tests.command.running import Outcome, run

TRIALS = (bundled_folder() / "cars" / "trials.toml").read_text(encoding="utf-8")
WITH_CAR = (
    ("check",), ("simulate",), ("explain",), ("tune", "--out", "t.toml"), ("stress",),
    ("sheet", "--out", "s.html"), ("base",),
)  # fmt: skip


def line_of(text: str, start: str) -> int:
    """Number of the line that begins so."""
    return next(n for n, line in enumerate(text.splitlines(), 1) if line.startswith(start))


def refused(outcome: Outcome) -> list[str]:
    """The lines of a refusal, after checking its form."""
    assert outcome.status == 2, outcome.err
    assert outcome.out == ""
    assert "Traceback" not in outcome.err
    assert all(re.fullmatch(r"[^:]+:\d+: .+, allowed: .+", line) for line in outcome.lines)
    return outcome.lines


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("displacement_cm3 = 1300\n", "", "engine.displacement_cm3: missing"),
        ("update_period_ms = 100", "update_period_ms = -5", "update_period_ms: too small (-5)"),
        ('law = "pi"', 'law = "magic"', 'feedback.law: unknown value ("magic")'),
        ("    [8, 0.68],", "    [1, 0.68],", "out of order (1 steps after 2 steps)"),
        ("air_degC = 40", "air_degC = 313", "manifold.air_degC: too large (313)"),
    ],
    ids=["missing key", "negative period", "unknown law", "table out of order", "kelvin"],
)
def test_a_bad_car_file_is_told_in_one_line(old: str, new: str, told: str, tmp_path: Path) -> None:
    assert old in TRIALS
    text = TRIALS.replace(old, new)
    (tmp_path / "bad.toml").write_text(text, encoding="utf-8")
    (line,) = refused(run("check", "bad.toml", folder=tmp_path))
    assert told in line
    if new:
        assert line.startswith(f"bad.toml:{line_of(text, new)}: ")


def test_all_problems_of_a_file_are_told_at_once(tmp_path: Path) -> None:
    text = TRIALS.replace("cylinders = 4", "cylinders = 40").replace("rest_ms = 1", "rest_ms = -1")
    (tmp_path / "bad.toml").write_text(text, encoding="utf-8")
    assert len(refused(run("simulate", "bad.toml", folder=tmp_path))) >= 2


@pytest.mark.parametrize("command", WITH_CAR, ids=lambda one: one[0])
def test_a_car_that_is_not_there(command: tuple[str, ...], tmp_path: Path) -> None:
    first, *rest = command
    (line,) = refused(run(first, "gone.toml", *rest, folder=tmp_path))
    assert line == "gone.toml:1: file: not found, allowed: a file that exists"
    assert list(tmp_path.iterdir()) == [], "nothing is left behind"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("simulate", "trials", "--scenario", "nowhere"), "a bundled scenario: "),
        (("sheet", "trials", "--out", "sheet.docx"), "allowed: .html, .pdf, .csv, .json"),
        (("sheet", "trials"), "missing, allowed: a file ending in .html"),
        (("fit", "trials"), "missing, allowed: one log or more"),
        (("fit", "trials", "gone.csv", "--out", "f.toml"), "gone.csv:1: file: not found"),
        (("diagnose", "gone.csv"), "gone.csv:1: file: not found"),
        (("compare", "trials", "gone.csv"), "gone.csv:1: file: not found"),
        (("base", "trials", "gone.csv"), "gone.csv:1: file: not found"),
        (("tune", "trials", "--law", "magic", "--out", "t.toml"), "magic"),
        (("tune", "trials", "--preset", "magic", "--out", "t.toml"), "allowed: balanced"),
        (("stress", "trials", "--suite", "magic"), "allowed: standard"),
        (("demo", "--law", "magic"), "--law:1: law: cannot be tuned (magic), allowed: pi, "),
        (("new", "a.toml", "--displacement-cm3", "5", "--cylinders", "4"),
         "--displacement-cm3:1: displacement_cm3: out of range (5), allowed: 50 to 10000"),
        (("new", "a.toml", "--displacement-cm3", "1000", "--cylinders", "9" * 400),
         "--cylinders:1: cylinders: out of range (inf), allowed: 1 to 12"),
        (("new", "a.toml", "--displacement-cm3", "1000", "--cylinders", "4", "--base", "0-50"),
         "allowed: degC:steps"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_told(words: tuple[str, ...], told: str, tmp_path: Path) -> None:
    lines = refused(run(*words, folder=tmp_path))
    assert any(told in line for line in lines), lines
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words",
    [
        ("fly",),
        ("check",),
        ("check", "trials", "--fast"),
        ("simulate", "trials", "--seed", "minus"),
        ("simulate", "trials", "--seed", "-1"),
        ("tune", "trials", "--budget", "endless", "--out", "t.toml"),
    ],
)
def test_wrong_usage_is_one_line(words: tuple[str, ...]) -> None:
    outcome = run(*words)
    assert outcome.status == 2
    assert outcome.out == ""
    (line,) = outcome.lines
    assert line.startswith("evenidle")
    assert line.endswith("--help")


def test_a_place_that_cannot_be_written_leaves_everything_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "taken").mkdir()
    (line,) = refused(run("sheet", "trials", "--quiet", "--out", "gone/sheet.csv", folder=tmp_path))
    assert "its folder is not there" in line
    (tmp_path / "file").write_text("mine")
    outcome = run("simulate", "trials", "--out", "file", "--quiet", folder=tmp_path)
    assert outcome.status == 2
    assert (tmp_path / "file").read_text() == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "taken"]
