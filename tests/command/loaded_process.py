"""A process that has the command line loaded and forks for each command that is to be run.

Loading is most of a short command's time, and the same for all.  What is forked is a process of its
own that runs ``python -m workbench`` from its first line to its end.  Starts from nothing are proved
by the tests of ends, of interruptions and of first use, which do not come here.
"""

from __future__ import annotations

import gc
import json
import os
import pkgutil
import runpy
import subprocess
import sys
from contextlib import suppress
from importlib import import_module
from pathlib import Path

PASSING = "PYTEST_CURRENT_TEST"
"""Changes from test to test and means nothing to a command."""


class LoadedProcess:
    """The process, for one environment; it ends when nobody asks any more."""

    def __init__(self, environment: dict[str, str], root: Path) -> None:
        self.environment = environment
        self._process = subprocess.Popen(
            [sys.executable, __file__], cwd=root, env=environment, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip

    def run(self, arguments: list[str], folder: Path, out: Path, err: Path) -> int:
        """Run a command to its end, what it prints into two files; give its status."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        asked = {"arguments": arguments, "folder": str(folder), "out": str(out), "err": str(err)}
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


def _load() -> None:
    """Load what any command may need, but not the page, which has its own server."""
    for package in ("sim", "controllers", "tuning", "workbench"):
        for one in pkgutil.walk_packages(import_module(package).__path__, f"{package}."):
            if not one.name.startswith(("workbench.page", "workbench.__main__")):
                import_module(one.name)
    for heavy in ("control", "matplotlib.pyplot", "optuna", "pandas", "scipy.signal", "simpy"):
        import_module(heavy)
    gc.freeze()


def _become(asked: dict[str, str]) -> None:
    """Take on the streams, the folder and the words of a command."""
    for number, path, how in (
        (0, os.devnull, os.O_RDONLY),
        (1, asked["out"], os.O_WRONLY | os.O_CREAT),
        (2, asked["err"], os.O_WRONLY | os.O_CREAT),
    ):
        opened = os.open(path, how, 0o600)
        os.dup2(opened, number)
        os.close(opened)
    os.chdir(asked["folder"])
    sys.argv = ["workbench", *asked["arguments"]]


def _asked() -> bool:
    """Fork for each that is asked for; true in the process that is to be the command."""
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            _become(json.loads(line))
            return True
        _, ended = os.waitpid(child, 0)
        sys.stdout.write(f"{os.waitstatus_to_exitcode(ended)}\n")
        sys.stdout.flush()
    return False


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        _load()
        if _asked():
            runpy.run_module("workbench", run_name="__main__", alter_sys=True)
