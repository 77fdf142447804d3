"""What a first use costs and what a second one does, beside the machine's own yardstick.

Run with ``python -m pytest -m bench tests/bench/test_first_use.py -s``, on a machine with nothing
else to do.  Each first use has an empty folder for compiled code of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sim.files import bundled_folder
from tests.bench.telling import show
from tests.command.running import surroundings

pytestmark = pytest.mark.bench
LOG = str(bundled_folder() / "logs" / "trials_recording.csv")
YARDSTICK = ["-c", "import numba, scipy.signal, matplotlib.pyplot"]
COMMANDS = {
    "simulate": ["simulate", "trials"],
    "explain": ["explain", "trials"],
    "check": ["check", "trials"],
    "diagnose": ["diagnose", LOG],
    "fit": ["fit", "trials", LOG, "--out", "fitted.toml"],
    "base": ["base", "trials"],
    "tune quick": ["tune", "trials", "--budget", "quick", "--out", "tuned.toml"],
    "demo": ["demo", "--out", "demo"],
}


def _seconds(arguments: list[str], folder: Path, cache: Path) -> tuple[float, float]:
    """Wall and processor time of a Python process and its children [s]."""
    cache.mkdir(exist_ok=True)
    around = surroundings() | {"EVENIDLE_CACHE_DIR": str(cache)}
    before, begun = os.times(), time.perf_counter()
    done = subprocess.run(
        [sys.executable, *arguments], cwd=folder, env=around, capture_output=True, check=False
    )
    wall, after = time.perf_counter() - begun, os.times()
    assert done.returncode in (0, 1), done.stderr.decode()
    spent = after.children_user - before.children_user
    return wall, spent + after.children_system - before.children_system


def test_first_and_second_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table of both uses; the second finds the code that the first compiled."""
    chosen = os.environ.get("EVENIDLE_BENCH_COMMANDS", ",".join(COMMANDS)).split(",")
    _seconds(YARDSTICK, tmp_path, tmp_path / "none")
    bare, busy = _seconds(YARDSTICK, tmp_path, tmp_path / "none")
    lines = [
        f"yardstick, three imports: {bare:.2f} s wall, {busy:.2f} s of processor",
        "",
        "| command | first use s | second use s | of processor s | s | times the yardstick | |",
        "|---|---|---|---|---|---|---|",
    ]
    found = []
    for number, name in enumerate(chosen):
        words = ["-m", "workbench", *COMMANDS[name]]
        cache = tmp_path / f"cache{number}"
        first, first_busy = _seconds(words, tmp_path, cache)
        second, second_busy = _seconds(words, tmp_path, cache)
        lines.append(
            f"| {name} | {first:.1f} | {second:.1f} | {first_busy:.1f} | {second_busy:.1f}"
            f" | {first / bare:.1f} | {second / bare:.1f} |"
        )
        found.append(second_busy < first_busy)
    show(capsys, "\n".join(lines))
    assert all(found)
