"""Machine code kept on disk: found by what the sources say, never by where they lie."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np

from controllers import machine_code
from controllers.curves import curve_value
from tests.source_tree import ROOT

PROGRAM = """
import numpy as np
from controllers.curves import curve_value
from controllers.compiling import source_key
line = np.array([0.0, 1.0])
assert curve_value(line, line, 0.5) == 0.5
print(sum(curve_value.stats.cache_hits.values()), source_key("controllers"))
"""


def _begin(folder: Path, cache: Path) -> subprocess.Popen[str]:
    """Begin to call one compiled function of the sources in a folder."""
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM],
        cwd=folder,
        env=os.environ | {"EVENIDLE_CACHE_DIR": str(cache), "PYTHONPATH": str(folder)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _told(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Whether it was found on disk (0 or 1), and the key of the sources."""
    out, problem = process.communicate()
    assert process.returncode == 0, problem
    found, key = out.split()
    return int(found), key


def _use(folder: Path, cache: Path) -> tuple[int, str]:
    """Call one compiled function of the sources in a folder."""
    return _told(_begin(folder, cache))


def test_of_two_that_need_it_one_compiles_and_the_other_waits(tmp_path: Path) -> None:
    pair = [_begin(ROOT, tmp_path) for _ in range(2)]
    assert sorted(_told(one)[0] for one in pair) == [0, 1]


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


def test_called_directly_it_gives_the_same_and_is_chosen_by_type() -> None:
    line, values = np.array([0.0, 1.0]), np.array([2.0, 6.0])
    direct = machine_code(curve_value, line, values, 0.25)
    assert direct(line, values, 0.25) == curve_value(line, values, 0.25) == 3.0
    assert machine_code(curve_value, values, line, 1.0) is direct
    # Every other value of a longer array is no array of that type: other code, same answer.
    spread = np.array([2.0, 0.0, 6.0, 0.0])[::2]
    other = machine_code(curve_value, line, spread, 0.25)
    assert other is not direct
    assert other(line, spread, 0.25) == 3.0
