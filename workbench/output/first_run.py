"""The first run after an install: the batch run is compiled beside what the demo does first."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import sim
import tuning

LONGEST_s = 300.0


@contextmanager
def compiling_beside(work: Callable[[], object]) -> Iterator[subprocess.Popen[bytes] | None]:
    """Call a function of a module in another process while the block runs, if nothing is compiled yet."""
    from controllers import is_warm

    if is_warm():
        yield None
        return
    order = f"from {work.__module__} import {work.__name__}; {work.__name__}()"
    # The very same sources, for other ones are compiled to other machine code: a checkout may lie
    # in the folder where an installed evenidle is run.
    places = os.pathsep.join(place or str(Path.cwd()) for place in sys.path)
    other = subprocess.Popen(
        [sys.executable, "-P", "-c", order], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": places},
    )  # fmt: skip
    try:
        yield other
    finally:
        other.kill()
        other.wait()


def wait_for(other: subprocess.Popen[bytes] | None) -> None:
    """Wait until the other process is done; if it fails, this one compiles when it must."""
    if other is not None:
        try:
            other.wait(LONGEST_s)
        except subprocess.TimeoutExpired:
            other.kill()


def compile_batch() -> None:
    """Run one short batch and measure it, which compiles all that it takes."""
    car, scenario = sim.load_car("trials"), sim.load_scenario("warm_idle")
    fleet = sim.make_fleet([car], [scenario])

    def keep(_rows: object, rpm: object, steps: object, _counters: object) -> None:
        tuning.measure_runs(rpm, steps, scenario.measure, 900.0)  # type: ignore[arg-type]

    sim.run_plan(fleet, sim.full_plan(fleet, sim.settings_table([car])), keep, cores=1)
