"""How time and memory grow: with runs, with simulated length, with cores, with workers of a study.

Run with ``python -m pytest -m bench tests/bench/test_scale.py -s``. Ratios are the claim;
``EVENIDLE_BENCH_RUNS`` (default 1,000,000) caps the runs of the first.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import optuna
import pytest
from optuna.storages.journal import JournalFileBackend

from sim import Scenario, full_plan, load_car, load_scenario, make_fleet, run_plan, settings_table
from tests.bench.telling import show
from tests.source_tree import ROOT

pytestmark = pytest.mark.bench

MOST_RUNS = int(os.environ.get("EVENIDLE_BENCH_RUNS", "1000000"))
ALLOWED_MiB = 1024.0
"""What a million runs may take in all: the issue's own limit."""
SCALE = """
import resource, sys, time
import numpy as np
from sim import full_plan, load_car, load_scenario, make_fleet, run_plan, settings_table
from tests.bench.test_speed import basic_car
runs, cores = int(sys.argv[1]), int(sys.argv[2])
demo = [load_car(name) for name in ("trials", "twin", "six")]
cars = demo if sys.argv[3] == "demo" else [basic_car(), basic_car(), basic_car()]
fleet = make_fleet(cars[: min(runs, 3)], [load_scenario("warm_idle")])
seeds = range(max(1, runs // len(fleet.cars)))
def keep(rows, rpm, steps, counters):
    pass
run_plan(fleet, full_plan(fleet, settings_table([cars[0]]), seeds=range(1)), keep, cores=cores)
plan = full_plan(fleet, settings_table([cars[0]]), seeds=seeds)
begun = time.perf_counter()
run_plan(fleet, plan, keep, cores=cores)
took = time.perf_counter() - begun
print(len(seeds) * len(fleet.cars), took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""
WORKER = """
import sys
from sim import load_car
from tuning.search.searching import tune
tune(load_car("trials"), budget="quick", storage=sys.argv[1], resume=True, cores=1)
"""


@pytest.mark.parametrize("cars", ["plain", "demo"])
def test_a_million_runs(capsys: pytest.CaptureFixture[str], cars: str) -> None:
    """Cars by seeds, each count in a process of its own, so that its memory is its own."""
    lines = [f"| 60 s runs of {cars} cars, two cores | s | us a run | MiB in all |"]
    lines.append("|---|---|---|---|")
    peak = 0.0
    for runs in (1, 10, 100, 1_000, 10_000, 100_000, 1_000_000):
        if runs > MOST_RUNS:
            break
        done = subprocess.run(
            [sys.executable, "-c", SCALE, str(runs), "2", cars],
            cwd=ROOT, capture_output=True, text=True, check=True,
        )  # fmt: skip
        made, took, peak = (float(word) for word in done.stdout.split())
        lines.append(f"| {made:,.0f} | {took:.3f} | {1e6 * took / made:.0f} | {peak:.0f} |")
    show(capsys, "\n".join(lines))
    assert peak < ALLOWED_MiB


def test_simulated_length(capsys: pytest.CaptureFixture[str]) -> None:
    """Processor time of a simulated minute, however many follow it."""
    car = load_car("trials")
    lines = ["| simulated | us a minute |", "|---|---|"]
    for minutes in (1, 4, 15, 60):
        told = {"name": "long", "duration_s": 60.0 * minutes, "event": []}
        fleet = make_fleet([car], [Scenario.model_validate(told)])
        plan = full_plan(fleet, settings_table([car]), seeds=range(64))
        times = []
        for _ in range(3):
            begun = time.process_time()
            run_plan(fleet, plan, lambda *_: None, cores=1)
            times.append(time.process_time() - begun)
        lines.append(f"| {minutes} min | {1e6 * min(times) / 64 / minutes:.0f} |")
    show(capsys, "\n".join(lines))


def test_cores(capsys: pytest.CaptureFixture[str]) -> None:
    """One core against all, the same to the last bit."""
    car = load_car("trials")
    fleet = make_fleet([car], [load_scenario("warm_idle")])
    plan = full_plan(fleet, settings_table([car]), seeds=range(8192))
    told = []
    kept: list[np.ndarray] = []
    for cores in range(1, (os.cpu_count() or 1) + 1):
        lowest = np.zeros(8192)

        def keep(
            rows: np.ndarray, _rpm: np.ndarray, _steps: np.ndarray, counters: np.ndarray,
            into: np.ndarray = lowest,
        ) -> None:  # fmt: skip
            into[rows] = counters[:, 4]

        begun = time.perf_counter()
        run_plan(fleet, plan, keep, cores=cores)
        told.append(time.perf_counter() - begun)
        kept.append(lowest)
    assert all(np.array_equal(one, kept[0]) for one in kept)
    shares = ", ".join(f"{n + 1}: {told[0] / took:.2f}" for n, took in enumerate(told))
    show(capsys, f"times as fast by cores: {shares}; the same numbers")


def test_workers_of_one_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Trials a second of one search shared by processes of one thread each, over a journal file."""
    lines = ["| workers | trials a second | times one |", "|---|---|---|"]
    first = 0.0
    for workers in (1, 2, 4):
        path = tmp_path / f"{workers}.journal"
        processes = [
            subprocess.Popen([sys.executable, "-c", WORKER, str(path)], cwd=ROOT) for _ in range(workers)
        ]
        assert [one.wait() for one in processes] == [0] * workers
        rate = _trials_per_s(path)
        first = first or rate
        lines.append(f"| {workers} | {rate:.1f} | {rate / first:.2f} |")
    show(capsys, "\n".join(lines))


def _trials_per_s(path: Path) -> float:
    """From the first trial's beginning to the last one's end."""
    storage = optuna.storages.JournalStorage(JournalFileBackend(str(path)))
    (study,) = storage.get_all_studies()
    done = [one for one in storage.get_all_trials(study._study_id) if one.state.is_finished()]
    begun = [one.datetime_start for one in done if one.datetime_start]
    ended = [one.datetime_complete for one in done if one.datetime_complete]
    assert len(done) >= 60
    return len(done) / (max(ended) - min(begun)).total_seconds()
