"""Who works at a study, and whether a worker that took a trial is still there.

One wrongly taken for dead loses the trial it was busy with, and its late answer is not accepted.
"""

from __future__ import annotations

import os
import socket
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from itertools import count
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optuna.storages import BaseStorage

BEAT_S, LEASE_S = 15.0, 60.0
"""Signs of life of a worker come so often; one silent so long is dead [s]; common practice, no source."""
CLOCK_S = 5.0  # By so much the start of one process may seem to move when the machine's clock is set [s].

LEASE_PREFIX = "worker:"


@dataclass(frozen=True)
class Worker:
    """One process at work on a study; its start parts it from a later one of the same number."""

    host: str
    pid: int
    started_s: float
    key: str

    @classmethod
    def here(cls) -> Worker:
        """Return this process as a worker with a fresh key."""
        pid = os.getpid()
        return cls(socket.gethostname(), pid, _start_of(pid) or 0.0, uuid.uuid4().hex)

    @classmethod
    def from_dict(cls, written: object) -> Worker | None:
        """Return the worker written by `to_dict`, or None where it is something else."""
        if not isinstance(written, Mapping):
            return None
        try:
            return cls(
                str(written["host"]), int(written["pid"]), float(written["started_s"]), str(written["key"])
            )
        except (KeyError, TypeError, ValueError):
            return None

    def to_dict(self) -> dict[str, Any]:
        """Return the worker as plain values for JSON."""
        return asdict(self)

    def is_dead(self) -> bool:
        """Tell whether the process is known to have ended: only its own machine can know."""
        if self.host != socket.gethostname():
            return False
        started_s = _start_of(self.pid)
        return started_s is None or abs(started_s - self.started_s) > CLOCK_S


def _start_of(pid: int) -> float | None:
    """When a process of this machine started [s since 1970]; None if it has ended."""
    import psutil

    try:
        process = psutil.Process(pid)
        ended = process.status() in (psutil.STATUS_ZOMBIE, psutil.STATUS_DEAD)
        return None if ended else float(process.create_time())
    except (psutil.NoSuchProcess, ValueError):
        return None


@contextmanager
def lease(storage: BaseStorage, study_id: int, worker: Worker, beat_s: float = BEAT_S) -> Iterator[None]:
    """Keep the signs of life of one worker in the study while the `with` block runs.

    optuna's own heartbeat serves `Study.optimize` only and does not exist for journal files. Beats are
    counted, not timed, so clocks of several machines need not agree.
    """
    beats, ended = count(1), threading.Event()

    def write(*, left: bool) -> None:
        told = {**worker.to_dict(), "beats": next(beats), "left": left}
        storage.set_study_user_attr(study_id, LEASE_PREFIX + worker.key, told)

    def keep_beating() -> None:
        while not ended.wait(beat_s):
            # A beat that fails is as good as missed: the search meets the same failure.
            with suppress(Exception):
                write(left=False)

    write(left=False)
    thread = threading.Thread(target=keep_beating, name="lease", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
        # An unreachable storage has been reported by the search itself; the lease just ends.
        with suppress(Exception):
            write(left=True)


@dataclass
class Watch:
    """Watches the leases of the other workers, of which beats may stand still for ``lease_s``."""

    lease_s: float = LEASE_S
    clock: Callable[[], float] = time.monotonic
    _seen: dict[str, tuple[object, float]] = field(default_factory=dict)

    def is_gone(self, worker: Worker, study_attrs: Mapping[str, Any]) -> bool:
        """Tell whether a worker has left, has died, or has been silent for too long."""
        held = study_attrs.get(LEASE_PREFIX + worker.key)
        told = held if isinstance(held, Mapping) else {}
        beats = told.get("beats")
        if told.get("left") or worker.is_dead():
            return True
        now = self.clock()
        last, since = self._seen.get(worker.key, (None, now))
        if worker.key not in self._seen or last != beats:
            self._seen[worker.key] = (beats, now)
            since = now
        return now - since >= self.lease_s

    def others(self, me: Worker, study_attrs: Mapping[str, Any]) -> list[Worker]:
        """Return the other workers that are at this study now."""
        leases = (v for k, v in study_attrs.items() if k.startswith(LEASE_PREFIX))
        every = [one for one in map(Worker.from_dict, leases) if one is not None and one.key != me.key]
        return [one for one in every if not self.is_gone(one, study_attrs)]
