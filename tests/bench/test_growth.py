"""How time and memory grow: fit and diagnosis with the log, a search with its runs, explanation with starts.

Run with ``python -m pytest -m bench tests/bench/test_growth.py -s``.  Each size is a process of its
own, so that its memory is; what counts is processor time of that process, with compiled code in its
place.  The slope is that of log time over log size between the smallest and the largest: 1 is linear.
"""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from tests.bench.telling import show
from tests.source_tree import ROOT

pytestmark = pytest.mark.bench

STEEPEST = 1.15
"""A slope that is no more than linear, with what a measurement of seconds may be off [-]."""
TIMED = """
import resource, sys, time
size = float(sys.argv[1])
{ready}
begun = time.process_time()
{done}
print(time.process_time() - begun, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""
READ = """
import tuning
from sim import bundled_folder, load_car
car = load_car("trials")
log = tuning.read_log(sys.argv[2])
short = tuning.read_log(bundled_folder() / "logs" / "trials_recording.csv")
"""
RUNS = """
from sim import load_car
from tuning.ensemble import TrialRuns, plausible_cars, noise_seeds
car = load_car("trials")
cars = plausible_cars(car, 6, seed=0, purpose=1).cars
few = [car.feedback.model_copy(update={"deadband_rpm": 20.0 + 0.1 * k}) for k in range(int(size))]
"""
WORK = {
    "diagnose": (READ + "tuning.diagnose(short, car)", "tuning.diagnose(log, car)"),
    "fit": (READ + "tuning.fit(car, [short])", "tuning.fit(car, [log])"),
}


def recorded(folder: Path, megabytes: float) -> Path:
    """A log of so many megabytes: the bundled recording, again and again."""
    from sim import bundled_folder

    text = (bundled_folder() / "logs" / "trials_recording.csv").read_text()
    head, *rows = [line for line in text.splitlines() if not line.startswith("#")]
    cells = [row.partition(",") for row in rows]
    first, last = float(cells[0][0]), float(cells[-1][0])
    length = last - first + (last - first) / (len(rows) - 1)
    path = folder / f"{megabytes:g}.csv"
    turn = 0
    with path.open("w") as file:
        file.write(head + "\n")
        while file.tell() < 1e6 * megabytes:
            file.writelines(f"{float(at) + turn * length:.2f},{rest}\n" for at, _, rest in cells)
            turn += 1
    return path


def spent(ready: str, done: str, size: float, *more: str) -> tuple[float, float]:
    """Processor time [s] and peak of memory [MiB] of one size."""
    program = TIMED.format(ready=ready, done=done)
    told = subprocess.run(
        [sys.executable, "-c", program, str(size), *more],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    seconds, mebibytes = told.stdout.split()[-2:]
    return float(seconds), float(mebibytes)


def table(name: str, unit: str, rows: Sequence[tuple[float, float, float]]) -> tuple[str, float]:
    """Rows of size, time and memory, and the slope of time."""
    slope = math.log(rows[-1][1] / rows[0][1]) / math.log(rows[-1][0] / rows[0][0])
    lines = [f"| {name}: {unit} | s of processor | MiB |", "|---|---|---|"]
    lines += [f"| {size:g} | {seconds:.2f} | {memory:.0f} |" for size, seconds, memory in rows]
    return "\n".join([*lines, f"slope of time {slope:.2f}"]), slope


@pytest.mark.parametrize(("name", "sizes"), [("diagnose", (1, 4, 15, 60)), ("fit", (0.25, 1, 4))])
def test_time_grows_with_the_log(
    name: str, sizes: tuple[float, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [(size, *spent(*WORK[name], size, str(recorded(tmp_path, size)))) for size in sizes]
    told, slope = table(name, "megabytes of log", rows)
    show(capsys, told)
    assert slope <= STEEPEST
    memory = np.array([one[2] for one in rows])
    assert (memory[-1] - memory[0]) / (sizes[-1] - sizes[0]) < 60.0, "MiB for each megabyte of log"


def test_time_of_a_search_grows_with_candidates(capsys: pytest.CaptureFixture[str]) -> None:
    ready = RUNS + "runs = TrialRuns(cars, noise_seeds(0, 1, 4))\nruns.run(few[:2])"
    rows = [(size, *spent(ready, "runs.run(few)", size)) for size in (4, 16, 64, 256)]
    told, slope = table("runs of a search", "candidates on 6 cars and 4 seeds", rows)
    show(capsys, told)
    assert slope <= STEEPEST


@pytest.mark.parametrize(
    ("what", "settings", "phases"), [("starting conditions", "1", "int(size)"), ("cells", "int(size)", "6")]
)
def test_time_of_an_explanation_grows_with_its_runs(
    what: str, settings: str, phases: str, capsys: pytest.CaptureFixture[str]
) -> None:
    ready = """
from sim import load_car
from tuning.explanation import ends
from tuning.loop import idle_point
car = load_car("trials")
point = idle_point(car, 90.0)
def run(settings, phases):
    places = ends.even_phases(car, point, phases)
    ends.measured(ends.run_settings(car, [car.feedback] * settings, places, coolant_degC=90.0, seed=0))
run(2, 6)
"""
    done = f"run({settings}, {phases})"
    rows = [(size, *spent(ready, done, size)) for size in (24, 96, 384, 1536)]
    told, slope = table("runs of an explanation", what, rows)
    show(capsys, told)
    assert slope <= STEEPEST
