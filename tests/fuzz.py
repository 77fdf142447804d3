"""Damaged inputs without number: ``python -m tests.fuzz COUNT [SEED]`` reads so many of them.

Bundled cars, scenarios and logs, a log in ASAM MDF 4 and texts of ``--columns`` are damaged byte by
byte, piece by piece and number by number, and read. Only the errors that are raised on purpose are
allowed, and each input takes two seconds and 300 MB at the most.
"""

from __future__ import annotations

import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sim import load_car, load_scenario
from sim.errors import EvenidleError
from tests.source_tree import ROOT
from tuning import read_log
from workbench.output.results import columns_from_text

MOST_s, MOST_megabytes = 2.0, 300.0
SCENARIOS = ROOT / "scenarios"
PIECES = (
    b"nan", b"inf", b"1e400", b"-1", b"0", b"9" * 400, b"[", b"]", b"{", b'"""', b"'", b"#", b"=",
    b".", b",", b";", b"\t", b"\r\n", b"\n\n", b"\x00", b"\xff", b"\xc2\x85", b"\xe2\x80\xa8",
    b"a." * 200, b"[[", b"true", b"1979-05-27", b"1_000", b"0x7f", b"rpm", b"12:30:15", b"1,5",
)  # fmt: skip


@dataclass
class Damaged:
    """What reading damaged inputs gave, by reader."""

    read: dict[str, int] = field(default_factory=dict)
    refused: dict[str, int] = field(default_factory=dict)
    longest_s: dict[str, float] = field(default_factory=dict)
    grown_megabytes: float = 0.0


def damaged(whole: bytes, random: np.random.Generator) -> bytes:
    """A copy with one to five damages."""
    data = bytearray(whole)
    for _ in range(int(random.integers(1, 6))):
        at = int(random.integers(0, len(data) + 1))
        length = int(random.integers(0, 1 + min(40, len(data) - at)))
        kind = random.integers(6)
        if kind == 0 and at < len(data):
            data[at] = int(random.integers(256))
        elif kind == 1:
            del data[at : at + length]
        elif kind == 2:
            data[at : at + length] = PIECES[int(random.integers(len(PIECES)))]
        elif kind == 3:
            data[at:at] = data[at : at + length] * int(random.integers(1, 50))
        elif kind == 4:
            del data[at:]
        else:
            data[at:at] = random.bytes(length)
    return bytes(data)


def mdf_log(folder: Path) -> bytes:
    """A short log in ASAM MDF 4."""
    import asammdf

    times = np.arange(60) * 0.05
    with asammdf.MDF(version="4.10") as recording:
        for name, unit in (("Engine speed", "1/min"), ("Steps", "")):
            recording.append([asammdf.Signal(850.0 + times, times, name=name, unit=unit)])
        path = Path(recording.save(folder / "whole.mf4"))
    return path.read_bytes()


def readers(folder: Path) -> dict[str, tuple[list[bytes], Callable[[bytes], object]]]:
    """Whole inputs of each reader, and what reads one."""

    def by_file(name: str, read: Callable[[Path], object]) -> Callable[[bytes], object]:
        def from_bytes(data: bytes) -> object:
            (folder / name).write_bytes(data)
            return read(folder / name)

        return from_bytes

    short = [path.read_bytes()[:3000] for path in sorted((SCENARIOS / "logs").glob("*.csv"))]
    texts = [b"rpm=Engine Speed,time=t (ms),map=", b"rpm=a [1/min],valve_steps=steps"]
    return {
        "columns": (texts, lambda data: columns_from_text(data.decode("utf-8", "replace"))),
        "scenario": (
            [path.read_bytes() for path in sorted(SCENARIOS.glob("*.toml"))],
            by_file("s.toml", load_scenario),
        ),
        "car": (
            [path.read_bytes() for path in sorted((SCENARIOS / "cars").glob("*.toml"))],
            by_file("c.toml", load_car),
        ),
        "log": (short, by_file("l.csv", read_log)),
        "MDF": ([mdf_log(folder)], by_file("l.mf4", read_log)),
    }


def peak_megabytes() -> float:
    """Most memory this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def turns(count: int) -> Iterator[str]:
    """Readers in turn, the slow ones more seldom."""
    order = ["columns", "scenario", "car", "columns", "scenario", "car", "log", "car", "scenario"]
    for number in range(count):
        yield "MDF" if number % 40 == 39 else order[number % len(order)]


class EndlessError(BaseException):
    """An input that is read for ever; no ``except Exception`` stops it."""


def _endless(*_: object) -> None:
    raise EndlessError


def fuzz(count: int, seed: int = 0) -> Damaged:
    """Read damaged inputs; anything but a result or an error of ours is raised."""
    told = Damaged()
    random = np.random.default_rng(seed)
    signal.signal(signal.SIGPROF, _endless)
    with tempfile.TemporaryDirectory() as name:
        all_readers = readers(Path(name))
        for wholes, read in all_readers.values():
            read(wholes[0])  # what reading loads once is no damage's doing
        before_megabytes = peak_megabytes()
        for number, what in enumerate(turns(count)):
            wholes, read = all_readers[what]
            data = damaged(wholes[int(random.integers(len(wholes)))], random)
            begun = time.process_time()
            signal.setitimer(signal.ITIMER_PROF, 5.0 * MOST_s)
            try:
                read(data)
                told.read[what] = told.read.get(what, 0) + 1
            except EvenidleError:
                told.refused[what] = told.refused.get(what, 0) + 1
            except BaseException:
                sys.stderr.write(f"input {number} of seed {seed}, {what}: {data[:2000]!r}\n")
                raise
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0.0)
            seconds = time.process_time() - begun
            told.longest_s[what] = max(told.longest_s.get(what, 0.0), seconds)
            told.grown_megabytes = max(told.grown_megabytes, peak_megabytes() - before_megabytes)
            assert seconds <= MOST_s, (number, seed, what, seconds)
            assert told.grown_megabytes <= MOST_megabytes, (number, seed, what, told.grown_megabytes)
    return told


if __name__ == "__main__":
    given = [int(one) for one in sys.argv[1:]]
    print(fuzz(*(given or [100_000])))  # noqa: T201 (what the command prints)
