"""A journal file that survives kill and power cut: its lock, its last line, its opening.

optuna's own locks outlive their owner by half a minute; the system's ends with its process.
"""

from __future__ import annotations

import json
import logging
import os
from mmap import ACCESS_READ, mmap
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from sim.errors import EvenidleError, InputError
from sim.files import one_problem

if TYPE_CHECKING:
    from optuna.storages import JournalStorage

PATIENCE_S = 120.0  # How long to wait for a lock that another process holds [s]; no source.

_RECORD_START = b'{"op_code":'
_log = logging.getLogger(__name__)


class JournalLock:
    """The lock of a journal, as optuna asks for one; whoever takes it finds whole lines only."""

    def __init__(self, journal: Path) -> None:
        from filelock import FileLock

        self._journal = journal
        self._lock = FileLock(journal.with_name(journal.name + ".lock"))

    def acquire(self) -> bool:
        """Take the lock, waiting for it."""
        from filelock import Timeout

        try:
            self._lock.acquire(timeout=PATIENCE_S)
        except Timeout:
            raise EvenidleError(
                f"{self._journal}: held by another process for {PATIENCE_S:g} s; "
                "end that process if it hangs, then run again with --resume"
            ) from None
        cut_torn_tail(self._journal)
        return True

    def release(self) -> None:
        """Give the lock back."""
        self._lock.release()


def cut_torn_tail(journal: Path, *, read_last: bool = False) -> Path | None:
    """Cut the journal, its lock held, back to its last whole line; give the file that keeps the piece."""
    if not journal.is_file() or not (size := journal.stat().st_size):
        return None
    with journal.open("r+b") as file:
        with mmap(file.fileno(), 0, access=ACCESS_READ) as text:
            keep = text.rfind(b"\n") + 1
            while read_last and keep:
                start = text.rfind(b"\n", 0, keep - 1) + 1
                if _is_record(text[start:keep]):
                    break
                keep = start
            cut_off = text[keep:]
        if not cut_off:
            return None
        torn = journal.with_name(journal.name + ".torn")
        with torn.open("ab") as kept:
            kept.write(cut_off + b"\n")
            kept.flush()
            os.fsync(kept.fileno())
        file.truncate(keep)
        os.fsync(file.fileno())
    _log.warning(
        "%s: its last line was cut off in mid-write; %d bytes moved to %s",
        journal, size - keep, torn.name,
    )  # fmt: skip
    return torn


def _is_record(line: bytes) -> bool:
    try:
        record = json.loads(line)
    except ValueError:
        return False
    return isinstance(record, dict) and "op_code" in record


def open_journal(path: Path) -> JournalStorage:
    """Open a journal file, or make it, and mend its end."""
    from optuna.storages import JournalStorage
    from optuna.storages.journal import JournalFileBackend

    _check_place(path)
    lock = JournalLock(path)
    try:
        path.touch()
        lock.acquire()
        try:
            cut_torn_tail(path, read_last=True)
        finally:
            lock.release()
        return JournalStorage(JournalFileBackend(str(path), lock_obj=cast(Any, lock)))
    except OSError as error:
        raise _unusable(path, 1, f"cannot be used ({error.strerror or error})") from None
    except (ValueError, KeyError, TypeError, AttributeError, AssertionError):
        raise _damaged(path) from None


def _check_place(path: Path) -> None:
    """Refuse what is no place for a journal before anything is touched."""
    if path.is_dir():
        raise _unusable(path, 1, "is a folder; give the path of a file")
    if not path.parent.is_dir():
        raise _unusable(path, 1, f"its folder {path.parent} does not exist; make it first")
    try:
        with path.open("rb") as file:
            start = file.read(len(_RECORD_START))
    except FileNotFoundError:
        return
    except OSError as error:
        raise _unusable(path, 1, f"cannot be read ({error.strerror})") from None
    if not _RECORD_START.startswith(start):
        raise _unusable(path, 1, f"is not a journal of studies (it begins {start!r}); give another path")


def _damaged(path: Path) -> InputError:
    """Name the first line that is no record."""
    with path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            if not _is_record(line):
                told = f"this line is damaged ({line[:40]!r}); delete the line in a copy of the file"
                return _unusable(path, number, f"{told} and use the copy, or begin another journal")
    return _unusable(path, 1, "its records contradict each other; begin another journal")


def _unusable(path: Path, line: int, message: str) -> InputError:
    return one_problem(path, line, "storage", message)
