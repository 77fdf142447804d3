"""Each handler is compiled once: for no number written in a call, and ahead for the very types of a run."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from tests.source_tree import ROOT

ORDER = """
import sim
from sim import advance, handlers, runs
car, idle = sim.load_car("trials"), sim.load_scenario("warm_idle")
fleet = sim.make_fleet([car], [idle])
plan = sim.full_plan(fleet, sim.settings_table([car]))
ahead = (handlers.handle, handlers.fire_alone, handlers.advance_alone, handlers.general_step, runs.load_run)
assert not any(one.overloads for one in ahead)
list(sim.compile_parts(fleet, plan))
sim.run_plan(fleet, plan, lambda *_: None, cores=1)
sim.simulate(car, idle)
for one in (*ahead, advance.advance):
    print(one.__name__, len(one.overloads))
"""


def test_what_is_compiled_ahead_is_what_a_run_takes(tmp_path: Path) -> None:
    around = os.environ | {
        "EVENIDLE_CACHE_DIR": str(tmp_path),
        "PYTHONPATH": str(ROOT),
        "NUMBA_DISABLE_JIT": "0",
    }
    done = subprocess.run(
        [sys.executable, "-c", ORDER], env=around, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    # Loops over lanes and single runs, with and without what few cars have, share one of each.
    assert done.stdout.split() == [
        "handle", "1", "fire_alone", "1", "advance_alone", "1", "general_step", "1", "load_run", "1",
        "advance", "1",
    ]  # fmt: skip
