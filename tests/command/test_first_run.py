"""What is compiled beside the first run is what the first run then uses."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

PROGRAM = """
import os, pathlib, sys
sys.path.insert(0, {tree!r})
from tests.command.one_measure import measure_one
from workbench.output.first_run import beside
assert beside(measure_one).wait() == 0
root = pathlib.Path(os.environ["EVENIDLE_CACHE_DIR"])
before = {{path: path.stat().st_mtime_ns for path in root.rglob("*.nbc")}}
measure_one()
after = {{path: path.stat().st_mtime_ns for path in root.rglob("*.nbc")}}
assert before == after, sorted(set(after) - set(before))
print(len(after))
"""


def test_what_the_other_process_compiles_is_found(tmp_path: Path) -> None:
    tree = Path(__file__).resolve().parents[2]
    # Another folder, with something of the same name in it, is where it is run from.
    (tmp_path / "workbench").mkdir()
    (tmp_path / "workbench" / "first_run.py").write_text("raise SystemExit(3)\n")
    done = subprocess.run(
        [sys.executable, "-P", "-c", PROGRAM.format(tree=str(tree))],
        cwd=tmp_path,
        env=os.environ | {"EVENIDLE_CACHE_DIR": str(tmp_path / "cache"), "PYTHONPATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) >= 1
