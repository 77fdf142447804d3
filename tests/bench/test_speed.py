"""How fast the runs are, side by side in one session; agreement is checked before timing.

Run with ``python -m pytest -m bench tests/bench/test_speed.py -s``. Ratios are the claim, never
seconds: the same 60 s of idle, the same car, one core.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sim import Car, full_plan, load_car, load_scenario, make_fleet, run_plan, settings_table, with_values
from sim.files import bundled_folder
from sim.schedule import NarratedRun, simulate, single_plan
from tests.bench.reference_runs import by_control, by_solve_ivp, run_segmented
from tests.bench.telling import show
from tests.command.running import surroundings

pytestmark = pytest.mark.bench
LOG = bundled_folder() / "logs" / "trials_recording.csv"

RUNS = 512
MANY = 32_768
PLAIN = {
    "mixture": {"wall_share": 0.0, "fuelling_lag_s": 0.0},
    "sensors": {"rpm_resolution_rpm": 0.0, "rpm_noise_rpm": 0.0},
    "spark": {"advance_deg_per_100rpm": 0.0},
    "feedback": {"spark_trim_deg_per_100rpm": 0.0},
}


def basic_car() -> Car:
    """The demo car without the features that few cars need."""
    return with_values(load_car("trials"), PLAIN)


def loaded_car() -> Car:
    """The demo car with every feature on."""
    return with_values(
        load_car("trials"),
        {
            "mixture": {"wall_share": 0.3, "fuelling_lag_s": 0.1},
            "sensors": {"rpm_resolution_rpm": 5.0, "rpm_noise_rpm": 2.0},
            "spark": {"advance_deg_per_100rpm": 1.0},
            "valve": {"backlash_steps": 1.0},
            "feedback": {"spark_trim_deg_per_100rpm": 2.0},
        },
    )


def best_of(work: Callable[[], object], repeats: int) -> float:
    """Shortest processor time of several tries [s]."""
    work()
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def batch_seconds(car: Car, *, side_by_side: bool, runs: int = RUNS) -> float:
    """Processor time of one 60 s run in a batch on one core [s]."""
    fleet = make_fleet([car], [load_scenario("warm_idle")])
    plan = full_plan(fleet, settings_table([car]), seeds=range(runs), base_error_steps=np.linspace(-3, 3, 16))
    work = lambda: run_plan(fleet, plan, lambda *_: None, cores=1, side_by_side=side_by_side)  # noqa: E731
    return best_of(work, 3) / runs


def traced_samples(car: Car) -> tuple[np.ndarray, np.ndarray]:
    """Samples of rpm of a SimPy run and of the batch run of the same seed."""
    scenario = load_scenario("warm_idle")
    fleet = make_fleet([car], [scenario])
    plan = full_plan(fleet, settings_table([car]), seeds=[3])
    kept: list[np.ndarray] = []
    run_plan(fleet, plan, lambda _rows, rpm, _steps, _counters: kept.append(rpm[0].copy()))
    return simulate(car, scenario, 3).resampled("rpm").astype(np.float32), kept[0]


def segmented(car: Car, segment: Callable[..., tuple[float, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and true speed [rpm] at each event of a run by another integrator."""
    scenario = load_scenario("warm_idle")
    run = NarratedRun(car, scenario, single_plan(car, scenario, 3, 0.0, 0.0))
    times, speeds = run_segmented(run, segment)
    return times, speeds * 30.0 / np.pi


def test_speed_side_by_side(capsys: pytest.CaptureFixture[str]) -> None:
    """The table for the README: same car, same 60 s, one core."""
    car = basic_car()
    by_simpy, by_batch = traced_samples(car)
    assert np.array_equal(by_simpy, by_batch)
    times, speeds = segmented(car, by_solve_ivp)
    trace = simulate(car, load_scenario("warm_idle"), 3)
    same = min(len(times), len(trace.time_s) - 1)
    apart = np.abs(speeds[:same] - trace.speed_rpm[1 : same + 1])
    seconds = {
        "eight lanes side by side": batch_seconds(car, side_by_side=True),
        "plain compiled loop": batch_seconds(car, side_by_side=False),
        "lanes, every feature on": batch_seconds(loaded_car(), side_by_side=True),
        "SimPy run": best_of(lambda: simulate(car, load_scenario("warm_idle"), 3), 3),
        "scipy solve_ivp, segmented": best_of(lambda: segmented(car, by_solve_ivp), 1),
        "python-control, in chunks": best_of(lambda: segmented(car, by_control), 1),
    }
    fastest = seconds["eight lanes side by side"]
    lines = [
        (
            f"60 s of idle on one core of {platform.processor() or platform.machine()}"
            f" ({os.cpu_count()} cores), Python {platform.python_version()}"
        ),
        "",
        "| run | ms | times the lanes |",
        "|---|---|---|",
        *(f"| {name} | {1e3 * s:.3f} | {s / fastest:.1f} |" for name, s in seconds.items()),
        "",
        f"solve_ivp (rtol 1e-13) and the compiled run: largest difference {apart.max():.2e} rpm",
    ]
    text = "\n".join(lines)
    show(capsys, text)
    if "EVENIDLE_BENCH_TABLE" in os.environ:
        Path(os.environ["EVENIDLE_BENCH_TABLE"]).write_text(text + "\n", encoding="utf-8")
    assert apart.max() < 1.0e-6


def test_cores_and_memory(capsys: pytest.CaptureFixture[str]) -> None:
    """Two cores against one, bit for bit, and memory that does not grow with the runs."""
    import resource

    car = basic_car()
    fleet = make_fleet([car], [load_scenario("warm_idle")])

    def wall(runs: int, cores: int) -> tuple[float, np.ndarray]:
        plan = full_plan(fleet, settings_table([car]), seeds=range(runs))
        lowest = np.zeros(runs)

        def keep(rows: np.ndarray, _rpm: np.ndarray, _steps: np.ndarray, counters: np.ndarray) -> None:
            lowest[rows] = counters[:, 4]

        start = time.perf_counter()
        run_plan(fleet, plan, keep, cores=cores)
        return time.perf_counter() - start, lowest

    wall(1024, 2)
    one, first = wall(8192, 1)
    two, second = wall(8192, 2)
    assert np.array_equal(first, second)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    many, _ = wall(MANY, 2)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024.0
    show(
        capsys,
        f"{one / two:.2f} times as fast on two cores, the same to the last bit; {MANY} runs of 60 s"
        f" in {many:.1f} s, so a million in {many * 1e6 / MANY / 60.0:.1f} min; memory grew by"
        f" {grown:.0f} MiB beyond {before / 1024.0:.0f} MiB",
    )
    assert grown < 300.0


COMMANDS = (
    ["--help"], ["simulate", "trials"], ["check", "trials"], ["diagnose", str(LOG)],
    ["compare", "trials", str(LOG)], ["explain", "trials", "--rough"], ["base", "trials"],
    ["tune", "trials", "--budget", "quick", "--out", "tuned.toml"], ["stress", "trials"],
    ["fit", "trials", str(LOG), "--out", "fitted.toml"], ["sheet", "trials", "--out", "sheet.html"],
    ["new", "--help"], ["page", "--help"], ["demo", "--help"],
)  # fmt: skip
"""Every command by its main act; the three that ask, serve or do it all, by their help."""


def test_commands_start(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Wall time of a second use of each command, beside an interpreter that only loads numba."""

    def seconds(command: list[str]) -> float:
        begun = time.perf_counter()
        done = subprocess.run(
            [sys.executable, *command], cwd=tmp_path, env=around, capture_output=True, check=False
        )
        assert done.returncode in (0, 1), done.stderr.decode()
        return time.perf_counter() - begun

    around = surroundings()
    bare = min(seconds(["-c", "import numba"]) for _ in range(3))
    lines = [f"| second use (importing numba alone takes {bare:.2f} s) | s |", "|---|---|"]
    for arguments in COMMANDS:
        ours = ["-m", "workbench", *arguments]
        seconds(ours)
        took = min(seconds(ours) for _ in range(2))
        words = " ".join(Path(word).name for word in arguments)
        lines.append(f"| evenidle {words} | {took:.2f} |")
    show(capsys, "\n".join(lines))
