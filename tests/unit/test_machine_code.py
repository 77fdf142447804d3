"""Machine code kept on disk: found by what the sources say, never by where they lie."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from tests.source_tree import ROOT

PROGRAM = """
import numpy as np
from controllers.curves import curve_value
from controllers.compiling import source_key
line = np.array([0.0, 1.0])
assert curve_value(line, line, 0.5) == 0.5
print(sum(curve_value.stats.cache_hits.values()), source_key("controllers"))
"""


def _use(folder: Path, cache: Path) -> tuple[int, str]:
    """Call one compiled function of the sources in a folder: found on disk (0 or 1), their key."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        cwd=folder,
        env=os.environ | {"EVENIDLE_CACHE_DIR": str(cache), "PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found, key = done.stdout.split()
    return int(found), key


def test_the_same_sources_elsewhere_find_it_and_other_sources_do_not(tmp_path: Path) -> None:
    one, other, cache = tmp_path / "one", tmp_path / "other", tmp_path / "cache"
    shutil.copytree(ROOT / "controllers", one / "controllers")
    first, key = _use(one, cache)
    assert first == 0
    shutil.copytree(ROOT / "controllers", other / "controllers")
    assert _use(other, cache) == (1, key)
    # A constant that compiled code takes in from a file that compiles nothing itself.
    records = other / "controllers" / "records.py"
    records.write_text(records.read_text().replace("NEVER", "NEVER ", 1))
    found, changed = _use(other, cache)
    assert (found, changed != key) == (0, True)
