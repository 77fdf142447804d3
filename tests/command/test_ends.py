"""How commands end: failures as one object, streams that fail, and nothing of the user's lost."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sim import car_to_toml, load_car
from tests.command.running import run, surroundings, words
from tests.command.study_processes import LONGEST_s
from tests.source_tree import ROOT

LOG = ROOT / "scenarios" / "logs" / "trials_hunting.csv"
FACTS = ("--displacement-cm3", "1275", "--cylinders", "4")


def by_shell(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a line of shell in which EVENIDLE is the command."""
    command = " ".join(words())
    return subprocess.run(
        ["bash", "-c", line.replace("EVENIDLE", command)],
        cwd=folder,
        env=surroundings(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("arguments", "key", "what"),
    [
        (("check", "nowhere.toml"), "file", "not found"),
        (("new", "c.toml", "--displacement-cm3", "nan", *FACTS[2:]), "displacement_cm3", "nan"),
        (("new", "c.toml", *FACTS, "--target-rpm", "1e400"), "target_rpm", "inf"),
        (("new", "a" * 300 + ".toml", *FACTS), "file", "too long"),
        (("check", "a" * 300), "file", "too long"),
        (("check", "/dev/zero"), "file", "is a device"),
        (("diagnose", "/dev/zero"), "file", "is a device"),
        (("tune", "trials", "--out", "t.toml", "--resume"), "storage", "missing"),
        (
            ("tune", "trials", "--out", "t.toml", "--resume", "--storage", "s.log"),
            "storage",
            "no study there",
        ),
        (("tune", "trials", "--nonsense"), "--nonsense", "no such option"),
    ],
)
def test_a_failure_with_json_is_one_object(
    tmp_path: Path, arguments: tuple[str, ...], key: str, what: str
) -> None:
    told = run(*arguments, "--json", folder=tmp_path)
    assert told.status == 2
    assert set(told.result) == {"error"}
    for one in told.result["error"]:
        assert set(one) == {"file", "line", "key", "what", "allowed"}
    assert told.result["error"][0]["key"] == key
    assert what in told.result["error"][0]["what"]
    assert "Traceback" not in told.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="streams of another kind")
@pytest.mark.parametrize(
    ("line", "status"),
    [
        ("EVENIDLE check trials | head -1; exit ${PIPESTATUS[0]}", 0),
        ("EVENIDLE simulate trials --events | head -1; exit ${PIPESTATUS[0]}", 0),
        ("EVENIDLE new c.toml --displacement-cm3 1275 --cylinders 4 >&-", 0),
        ("EVENIDLE new c.toml --displacement-cm3 1275 --cylinders 4 >&- 2>&-", 0),
        ("EVENIDLE check nowhere.toml 2>&-", 2),
        ("EVENIDLE check nowhere.toml 2>/dev/full", 2),
        ("EVENIDLE check trials >/dev/full", 2),
        ("EVENIDLE check trials --json >/dev/full", 2),
    ],
)
def test_streams_that_fail_are_no_verdict(tmp_path: Path, line: str, status: int) -> None:
    if "/dev/full" in line and not Path("/dev/full").exists():
        return  # only Linux has it
    done = by_shell(line, tmp_path)
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert len(done.stderr.splitlines()) <= 1 or "new" not in line


@pytest.fixture
def mine(tmp_path: Path) -> dict[str, str]:
    """An owner's files of several kinds."""
    files = {
        "log.csv": LOG.read_text(encoding="utf-8"),
        "car.toml": car_to_toml(load_car("trials")),
        "project.toml": "[project]\nname = 'mine'\n",
        "notes.json": json.dumps({"mine": True}),
        "page.html": "<html>mine</html>",
        "notes.pdf": "mine",
    }
    for name, content in files.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    return files


@pytest.mark.parametrize(
    "arguments",
    [
        ("simulate", "car.toml", "--out", "log.csv"),
        ("fit", "car.toml", "log.csv", "--out", "log.csv"),
        ("fit", "car.toml", "log.csv", "--out", "car.toml"),
        ("fit", "car.toml", "log.csv", "--out", "project.toml"),
        ("tune", "car.toml", "--out", "car.toml"),
        ("sheet", "car.toml", "--out", "log.csv"),
        ("sheet", "car.toml", "--out", "notes.json"),
        ("sheet", "car.toml", "--out", "page.html"),
        ("sheet", "car.toml", "--out", "notes.pdf"),
        ("new", "car.toml", *FACTS),
        ("new", "log.csv", *FACTS, "--force"),
        ("new", "project.toml", *FACTS, "--force"),
    ],
)
def test_what_an_owner_has_is_never_replaced_unasked(
    tmp_path: Path, mine: dict[str, str], arguments: tuple[str, ...]
) -> None:
    told = run(*arguments, folder=tmp_path)
    assert told.status == 2, told.out
    assert "allowed: " in told.lines[-1]
    left = {path.name: path.read_text(encoding="utf-8") for path in tmp_path.iterdir()}
    assert left == mine


def test_a_forced_car_keeps_the_old_one_twice(tmp_path: Path) -> None:
    for size in ("1275", "1400", "1600"):
        facts = ("--displacement-cm3", size, "--cylinders", "4", "--force")
        assert run("new", "car.toml", *facts, folder=tmp_path).status == 0
    kept = {path.name: load_of(path) for path in tmp_path.iterdir()}
    assert kept == {"car.toml.bak": 1275.0, "car.toml.bak2": 1400.0, "car.toml": 1600.0}


def load_of(path: Path) -> float:
    """Displacement in a car file of any name [cm3]."""
    return load_car(path).engine.displacement_cm3


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGINT for another process")
def test_an_interruption_at_any_moment_ends_with_130(tmp_path: Path) -> None:
    """From the first line of the command line's own code on; before it Python itself is begun."""
    script = (
        "import os, sys\nsys.argv = ['evenidle', 'simulate', 'trials', '--json']\n"
        "from workbench.commands.start import main\nprint('on', file=sys.stderr, flush=True)\n"
        "sys.exit(main())"
    )
    for wait_s in (0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7):
        with subprocess.Popen(
            [sys.executable, "-c", script],
            cwd=tmp_path, env=surroundings(), text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        ) as process:  # fmt: skip
            assert process.stderr is not None
            assert process.stderr.readline() == "on\n"
            time.sleep(0.001 + wait_s)
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=LONGEST_s)
        assert process.returncode in (0, 130), (wait_s, process.returncode, err)
        assert "Traceback" not in err, err
        if process.returncode == 130:
            told = json.loads(out)
            assert "error" in told or told["command"] == "simulate"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGINT for another process")
def test_a_module_that_is_being_loaded_does_not_turn_an_interruption_into_its_own_fault(
    tmp_path: Path,
) -> None:
    (tmp_path / "swallowing.py").write_text(
        "import os, signal, time\ntry:\n    os.kill(os.getpid(), signal.SIGINT)\n    time.sleep(5.0)\n"
        "except KeyboardInterrupt:\n    raise RuntimeError('a fault of its own') from None\n"
    )
    script = (
        "import signal\nfrom workbench.commands import start\n"
        "signal.signal(signal.SIGINT, start._interrupt)\nimport swallowing"
    )
    places = os.pathsep.join([str(tmp_path), str(ROOT)])
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, env=surroundings(PYTHONPATH=places), text=True,
        capture_output=True, timeout=LONGEST_s, check=False,
    )  # fmt: skip
    assert ended.returncode == 130, ended.stderr
    assert "Traceback" not in ended.stderr


def test_an_interruption_while_json_is_loaded_is_told_as_one_object() -> None:
    script = (
        "import sys, types\nsys.modules['json'] = types.ModuleType('json')\n"
        "from workbench.output.failing import KEPT, tell_failure\ntell_failure(KEPT, arguments=['--json'])"
    )
    told = subprocess.run(
        [sys.executable, "-c", script], env=surroundings(), text=True, capture_output=True, check=True
    )
    (problem,) = json.loads(told.stdout)["error"]
    assert problem["what"] == told.stderr.strip()
    assert problem["file"] is None
