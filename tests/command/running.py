"""Running the real console entry in a process of its own, for the tests of commands."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests.command.loaded_process import PASSING, LoadedProcess
from tests.source_tree import ROOT

NOT_A_USERS = {"NO_COLOR", "FORCE_COLOR", "COLUMNS", "PYTHONDONTWRITEBYTECODE", PASSING}
"""What the surroundings of a test may have set and a user's own terminal has not."""


@dataclass(frozen=True)
class Outcome:
    """What one command left."""

    status: int
    out: str
    err: str

    @property
    def result(self) -> dict[str, Any]:
        """The one JSON object on standard output; anything else there is an error."""
        value = json.loads(self.out)
        assert isinstance(value, dict)
        return value

    @property
    def lines(self) -> list[str]:
        """Lines on standard error."""
        return self.err.strip().splitlines()


def surroundings(**more: str) -> dict[str, str]:
    """Environment of a command: this project, no colour asked for, and sources compiled once."""
    kept = {k: v for k, v in os.environ.items() if k not in NOT_A_USERS}
    return kept | {"PYTHONPATH": str(ROOT)} | more


def words(*arguments: object) -> list[str]:
    """The command line of the console entry."""
    return [sys.executable, "-m", "workbench", *(str(one) for one in arguments)]


@cache
def _loaded() -> LoadedProcess:
    return LoadedProcess(surroundings(), ROOT)


def run(*arguments: object, folder: Path | None = None, **environment: str) -> Outcome:
    """Run one command to its end, with no terminal and nothing to read.

    Where its surroundings are those of the tests and the system can fork, it is spared the loading.
    """
    wanted = surroundings(**environment)
    if not hasattr(os, "fork") or wanted != _loaded().environment:
        done = subprocess.run(
            words(*arguments), cwd=folder or ROOT, env=wanted, stdin=subprocess.DEVNULL,
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        return Outcome(done.returncode, done.stdout, done.stderr)
    with TemporaryDirectory() as place:
        out, err = Path(place, "out"), Path(place, "err")
        status = _loaded().run([str(one) for one in arguments], folder or ROOT, out, err)
        return Outcome(status, out.read_text(encoding="utf-8"), err.read_text(encoding="utf-8"))


def owners_car(folder: Path) -> Path:
    """A car file of an owner's own: that of a demonstration car with a remark more."""
    path = folder / "mine.toml"
    text = (ROOT / "scenarios" / "cars" / "trials.toml").read_text(encoding="utf-8")
    path.write_text(text + "# wet Tuesday: 4 was too much\n", encoding="utf-8")
    return path


def remarks(path: Path) -> set[str]:
    """Every comment of a car file."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return {line.partition("#")[2].strip() for line in lines if "#" in line}
