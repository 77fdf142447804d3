"""Ctrl-C: exit status 130, one line, no traceback, and nothing half written."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import pytest

from tests.command.running import surroundings, words
from tests.command.study_processes import LONGEST_s


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGINT for another process")
def test_an_interrupted_search_ends_with_130(tmp_path: Path) -> None:
    out = tmp_path / "tuned.toml"
    with subprocess.Popen(
        words("tune", "trials", "--budget", "deep", "--out", out, "--storage", tmp_path / "s.log"),
        env=surroundings(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        deadline = time.monotonic() + LONGEST_s
        study = tmp_path / "s.log"
        while not (study.exists() and study.stat().st_size) and time.monotonic() < deadline:
            assert process.poll() is None, process.stderr and process.stderr.read()
            time.sleep(0.1)
        time.sleep(1.0)
        process.send_signal(signal.SIGINT)
        told, complaint = process.communicate(timeout=LONGEST_s)
    assert process.returncode == 130, complaint
    assert told == ""
    assert complaint.strip().splitlines()[-1] == "interrupted; what was finished is kept"
    assert "Traceback" not in complaint
    assert not out.exists()
    assert (tmp_path / "s.log").stat().st_size > 0
