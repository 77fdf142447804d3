"""Beside the user's own code: their compiler's settings, their notebook, their names."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import evenidle
from sim import InputError, bundled_logs, bundled_scenarios, load_car, load_scenario, simulate
from tests.command.running import owners_car, remarks
from tests.source_tree import ROOT
from tuning import read_log

THEIRS = """
import numba
before = {name: getattr(numba.config, name) for name in dir(numba.config) if name.isupper()}
import sim, tuning
from controllers.curves import curve_value
from sim import load_car, load_scenario, simulate
after = {name: getattr(numba.config, name) for name in dir(numba.config) if name.isupper()}
assert before == after, {n: after[n] for n in after if after[n] != before.get(n)}
from theirs import doubled
print(doubled(1.5), sum(doubled.stats.cache_hits.values()))
"""
FUNCTION = """
import numba
@numba.njit(cache=True)
def doubled(x):
    return x * FACTOR
"""


def run_theirs(folder: Path) -> list[str]:
    """What a program of somebody else's prints that uses us and a cached function of its own."""
    done = subprocess.run(
        [sys.executable, "-c", THEIRS],
        env={**os.environ, "PYTHONPATH": f"{folder}{os.pathsep}{ROOT}"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


def test_their_cached_function_is_theirs_before_and_after_an_edit(tmp_path: Path) -> None:
    source = tmp_path / "theirs.py"
    source.write_text(FUNCTION.replace("FACTOR", "2.0"))
    assert run_theirs(tmp_path) == ["3.0", "0"]
    assert run_theirs(tmp_path) == ["3.0", "1"], "found again in their own cache"
    source.write_text(FUNCTION.replace("FACTOR", "20.0"))
    assert run_theirs(tmp_path) == ["30.0", "0"], "edited, so compiled anew"


def test_a_trace_is_shown_short_compared_and_tabled() -> None:
    trace = simulate("trials", "lamps", seed=3)
    same = simulate(load_car("trials"), load_scenario("lamps"), seed=3)
    assert len(repr(trace)) < 200
    assert "'trials' in 'lamps on and off'" in repr(trace)
    assert trace == same
    assert trace != simulate("trials", "lamps", seed=4)
    assert trace != "trials"
    assert trace not in [None, 3]
    frame = trace.to_frame()
    assert list(frame.columns) == list(trace.signals)
    assert np.array_equal(frame["rpm"], trace.rpm)
    assert frame.index.name == "time_s"
    even = trace.to_frame(spacing_s=0.1)
    assert len(even) == round(trace.duration_s / 0.1)
    assert np.array_equal(even["valve_steps"], trace.resampled("valve_steps", 0.1))


def test_bundled_names_are_listed_and_taken() -> None:
    assert evenidle.bundled_cars() == ["six", "trials", "twin"]
    assert "lamps" in bundled_scenarios()
    for name in bundled_logs():
        assert read_log(name).rpm.size > 100
    with pytest.raises(InputError, match=r"allowed: a log file, or a bundled log: .*trials_hunting"):
        read_log("nothing")
    with pytest.raises(InputError, match=r"allowed: a scenario file, or a bundled .*lamps"):
        simulate("trials", "nothing")


def test_one_import_hands_on_what_the_folders_do() -> None:
    for name in evenidle.__all__:
        assert getattr(evenidle, name).__module__.split(".")[0] in ("sim", "tuning", "controllers")
    assert set(dir(evenidle)) == set(evenidle.__all__)
    assert not hasattr(evenidle, "no_such_name")


def test_the_notebook_of_the_readme_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    mine = owners_car(tmp_path).rename("mycar.toml")
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    lines = text.partition("<!-- python: notebook -->\n```python\n")[2].partition("\n```")[0]
    assert len(lines.splitlines()) <= 12
    exec(compile(lines, "README.md", "exec"), {})
    assert "<Trace of 'trials' in 'lamps on and off'" in capsys.readouterr().out
    assert load_car("wider.toml").feedback.deadband_rpm == 40.0
    assert remarks(mine) == remarks(Path("wider.toml"))
