"""First use after an install: all is compiled on a second core beside what a command does with the first."""

from __future__ import annotations

import atexit
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

import sim
import tuning
from controllers import is_warm, now_warm

EVERY_s = 4.0
MOST = 130  # Functions that the demonstration compiles; a single command needs fewer.


def begin_compiling(note: Callable[[str], None]) -> bool:
    """Compile all beside what follows, which tells how far it is; tell whether there is any to compile.

    What both need the first one makes and the other waits for.
    """
    if is_warm():
        return False
    if (os.cpu_count() or 1) > 1:
        atexit.register(beside(compile_all).kill)
    from numba.core import event

    events: Any = event
    events.Listener.register(_Telling)
    events.register("numba:compile", _Telling(note))
    return True


class _Telling:
    """Tells now and then that functions are being compiled, and how many are done."""

    def __init__(self, note: Callable[[str], None]) -> None:
        self._note, self._done, self._told_s = note, 0, time.monotonic()

    def notify(self, event: Any) -> None:
        """Hear that a function begins or is done."""
        self._done += bool(event.is_end)
        if time.monotonic() > self._told_s + EVERY_s:
            self._told_s = time.monotonic()
            self._note(f"compiling: {self._done} of about {MOST} functions done")


def beside(work: Callable[[], object]) -> subprocess.Popen[bytes]:
    """Call a function of a module in another process."""
    order = f"from {work.__module__} import {work.__name__}; {work.__name__}()"
    # The very same sources, for other ones are compiled to other machine code: a checkout may lie
    # in the folder where an installed evenidle is run.
    places = os.pathsep.join(place or str(Path.cwd()) for place in sys.path)
    return subprocess.Popen(
        [sys.executable, "-P", "-c", order],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": places},
    )  # fmt: skip


def compile_all() -> None:
    """Measure and run in every way that commands do, shortest: what another compiles now is waited for.

    What a run calls from below, as a command comes to it from above; what measures it is needed last.
    """
    car, scenario = sim.load_car("trials"), sim.load_scenario("warm_idle")
    fleet = sim.make_fleet([car], [scenario])
    plan = sim.full_plan(fleet, sim.settings_table([car]))
    parts = sim.compile_parts(fleet, plan)
    next(parts)
    still = np.full((1, 500), 900.0, dtype=np.float32)
    windows = [("hunting", 1.0, 9.0)]
    tuning.measure_runs(still, still, windows, 900.0)
    list(parts)
    sim.run_plan(fleet, plan, lambda *_: None, cores=1)
    sim.run_plan(fleet, plan, lambda *_: None, cores=1, side_by_side=False)
    trace = sim.simulate(car, scenario)
    tuning.measure(trace)
    now_warm()
