"""What a person waits for, in one table: pytest-benchmark prints each job beside the quickest.

Run with ``python -m pytest -m bench tests/bench/test_jobs_speed.py``. Each job is done once
before, so that nothing is compiled while it is timed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from sim import full_plan, load_car, make_fleet, run_plan, settings_table
from sim.files import bundled_folder
from sim.scenario import load_scenario
from sim.schedule import simulate
from tuning.explanation.explaining import explain
from tuning.identification.fitting import fit
from tuning.logs.log import read_log
from tuning.search.searching import tune
from tuning.stress_tests.stressing import stress

pytestmark = [pytest.mark.bench, pytest.mark.benchmark(group="jobs on the demo car")]

LOG = bundled_folder() / "logs" / "trials_recording.csv"


def warm_ups() -> int:
    """Eight cold starts from key-on to warm, a quarter of an hour each."""
    fleet = make_fleet([load_car("trials")], [load_scenario("cold_start_20")])
    plan = full_plan(fleet, settings_table([load_car("trials")]), seeds=range(8))
    done = []
    run_plan(fleet, plan, lambda rows, *_: done.append(len(rows)))
    return sum(done)


def jobs() -> dict[str, Callable[[], Any]]:
    """Each job by its name."""
    car = load_car("trials")
    return {
        "one minute simulated, every event named": lambda: simulate(car, load_scenario("warm_idle"), 0),
        "eight 15-minute warm-ups, compiled": warm_ups,
        "log read": lambda: read_log(LOG),
        "fit to a log": lambda: fit(car, read_log(LOG)),
        "explanation, quick": lambda: explain(car, quick=True),
        "explanation with both maps": lambda: explain(car),
        "search, quick": lambda: tune(car, budget="quick"),
        "search, normal": lambda: tune(car, budget="normal"),
        "stress matrix": lambda: stress(car),
    }


@pytest.mark.parametrize("name", jobs())
def test_job(name: str, benchmark: BenchmarkFixture) -> None:
    """Time one job, best of two after a first."""
    result = benchmark.pedantic(jobs()[name], rounds=2, warmup_rounds=1)  # type: ignore[no-untyped-call] # the plugin's own
    assert result is not None
