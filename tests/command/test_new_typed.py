"""``evenidle new`` with its answers typed at a terminal."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sim import load_car
from tests.command.running import run, surroundings, words
from tests.command.study_processes import LONGEST_s
from tests.source_tree import ROOT

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are of POSIX")

QUIET_s = 0.3


def typed(folder: Path, *answers: str) -> str:
    """Answer each question as it stands there; gives all that the terminal showed."""
    import pty

    terminal, theirs = pty.openpty()
    process = subprocess.Popen(
        words("new", "typed.toml"), cwd=folder, env=surroundings(PYTHONPATH=str(ROOT)), stdin=theirs,
        stdout=theirs, stderr=theirs,
    )  # fmt: skip
    os.close(theirs)
    shown, left, until_s = b"", list(answers), time.monotonic() + LONGEST_s
    while time.monotonic() < until_s:
        if select.select([terminal], [], [], QUIET_s)[0]:
            try:
                shown += os.read(terminal, 65536)
            except OSError:  # it has ended
                break
        elif shown.endswith(b": ") and left:
            os.write(terminal, f"{left.pop(0)}\n".encode())
            shown += b"\n"
    os.close(terminal)  # ends it too, if it still asks
    process.wait(timeout=LONGEST_s)
    return shown.decode().replace("\r", "")


def test_each_bad_answer_is_told_at_once_and_the_good_ones_stay(tmp_path: Path) -> None:
    shown = typed(
        tmp_path, "big", "1300", "4.5", "4", "25", "850", "two", "200", "", "",
        "80:30,0:120", "0:120,30:80,80:40", "", "3", "33", "lamps:-3", "lamps:150, fan",
        "gain=-2", "law=magic", "gain=4, min_move=4", "unit=percent", "sign=0", "unit=percent_of_travel",
    )  # fmt: skip
    told = (
        'displacement_cm3: not a number ("big"), allowed: 50 to 10000',
        'cylinders: not a whole number ("4.5"), allowed: 1 to 12',
        "target_rpm: out of range (25), allowed: 350 to 3000",
        'travel_steps: not a whole number ("two"), allowed: 5 to 400',
        "out of order (0 degC after 80 degC), allowed: temperatures strictly rising",
        "map_kpa: out of range (3), allowed: 15 to 90",
        "loads.lamps_W: too small (-3), allowed: ",
        "feedback.gain_steps_per_100rpm: too small (-2), allowed: ",
        'feedback.law: unknown value ("magic"), allowed: "none", "pi"',
        'entry_form.output_unit: unknown value ("percent"), allowed: "steps", "percent_of_travel"',
        "entry_form.sign: not a sign (0), allowed: 1 or -1",
    )
    places = [shown.index(one) for one in told]
    assert places == sorted(places)
    assert shown.count("Swept volume") == 2  # asked again, and of all others none
    car = load_car(str(tmp_path / "typed.toml"))
    assert (car.engine.displacement_cm3, car.engine.cylinders) == (1300.0, 4)
    assert (car.feedback.gain_steps_per_100rpm, car.entry_form.output_unit) == (4.0, "percent_of_travel")


def test_a_bad_value_in_an_option_names_the_option(tmp_path: Path) -> None:
    refused = run(
        "new", "x.toml", "--displacement-cm3", "1300", "--cylinders", "4", "--entry-form", "unit=percent",
        "--feedback", "gain=-2", folder=tmp_path,
    )  # fmt: skip
    assert refused.status == 2
    assert "--entry-form:1: entry_form.output_unit: unknown value" in refused.err
    assert "--feedback:1: feedback.gain_steps_per_100rpm: too small (-2)" in refused.err
