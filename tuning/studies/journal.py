"""A journal file that survives kill and power cut: its lock, its last line, its opening.

optuna appends one line for each operation to the journal, under a lock file beside it. Of the
four traps of such a file three are handled here: a lock whose owner died, a last line cut off
in mid-write, and a system that refuses symbolic links. The fourth, trials whose worker died,
is met by `trial_queue` on every storage.
"""

from __future__ import annotations

import errno
import json
import logging
import os
import sys
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, cast

from sim.errors import EvenidleError, InputError
from sim.files import one_problem
from tuning.studies.workers import Worker

if TYPE_CHECKING:
    from optuna.storages import JournalStorage

GRACE_S = 30.0
"""A lock of unknown or distant owner that stands unchanged this long is broken [s]; as optuna."""

PATIENCE_S = 120.0
"""How long to wait for a lock whose owner is alive on this machine [s]; no source."""

_RECORD_START = b'{"op_code":'
_NO_SYMLINK = (errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP)
_log = logging.getLogger(__name__)


class JournalLock:
    """The lock beside a journal file, with its owner's name in it.

    Same file name and same way of taking and releasing as optuna's `JournalFileSymlinkLock`
    or, where symbolic links are refused (Windows), `JournalFileOpenLock`, so programs that use
    those keep out of each other's way. In addition the owner is written into the lock, a lock
    whose owner has died is broken at once instead of after 30 s, and whoever takes the lock
    finds the journal ending in a whole line.

    Parameters
    ----------
    journal : Path
        The journal file.
    symlink : bool
        Take the lock as a symbolic link; else as a file created exclusively.
    """

    def __init__(self, journal: Path, *, symlink: bool = sys.platform != "win32") -> None:
        self._journal = journal
        self._lock = journal.with_name(journal.name + ".lock")
        self._symlink = symlink
        self._me = Worker.here()
        self._mine = json.dumps(self._me.to_dict())

    def acquire(self) -> bool:
        """Take the lock, waiting for it; break it where its owner is dead."""
        began = since = time.monotonic()
        standing: object = None
        wait_s = 0.001
        while not self._take():
            seen = self._look()
            now = time.monotonic()
            if seen != standing:
                standing, since = seen, now
            if seen is not None and self._is_stale(seen[0], now - since):
                self._break(seen)
                continue
            if now - began > PATIENCE_S:
                raise EvenidleError(self._waited_in_vain(seen))
            time.sleep(wait_s)
            wait_s = min(2.0 * wait_s, 0.05)
        cut_torn_tail(self._journal)
        return True

    def release(self) -> None:
        """Give the lock back; one that another has broken and taken meanwhile is left alone."""
        seen = self._look()
        if seen is not None and seen[0] == self._mine:
            self._remove()

    def _take(self) -> bool:
        try:
            if self._symlink:
                self._lock.symlink_to(self._mine)
            else:
                with self._lock.open("x", encoding="utf-8") as lock:
                    lock.write(self._mine)
        except FileExistsError:
            return False
        except PermissionError as error:
            # Windows answers so while another process is just removing the lock file.
            if sys.platform == "win32" and self._lock.exists():
                return False
            return self._take_without_symlink(error)
        except OSError as error:
            return self._take_without_symlink(error)
        return True

    def _take_without_symlink(self, error: OSError) -> bool:
        """Go on with plain files on a file system that has no symbolic links."""
        if not self._symlink or error.errno not in _NO_SYMLINK:
            raise error
        self._symlink = False
        return self._take()

    def _look(self) -> tuple[str, int, int] | None:
        """Return owner text, inode and time of the lock [ns], or None if it is free."""
        try:
            status = self._lock.lstat()
            try:
                text = str(self._lock.readlink())
            except OSError:
                text = self._lock.read_text("utf-8", "replace")
        except OSError:
            return None
        return text, status.st_ino, status.st_mtime_ns

    def _is_stale(self, text: str, unchanged_s: float) -> bool:
        owner = _owner_of(text)
        if owner is None or owner.host != self._me.host:
            return unchanged_s > GRACE_S
        return owner.is_dead()

    def _break(self, stale: tuple[str, int, int]) -> None:
        """Remove a stale lock, if it still is the one seen: two may break at once."""
        with _one_breaker(self._journal):
            if self._look() == stale:
                self._remove()

    def _remove(self) -> None:
        # Renaming first, as optuna does: of several that remove, one only succeeds.
        aside = self._lock.with_name(f"{self._lock.name}{uuid.uuid4()}.rename")
        try:
            self._lock.rename(aside)
            aside.unlink()
        except OSError:
            return

    def _waited_in_vain(self, seen: tuple[str, int, int] | None) -> str:
        owner = _owner_of(seen[0]) if seen else None
        holder = f"process {owner.pid} on {owner.host}" if owner else "other processes in turn"
        return (
            f"{self._journal}: held by {holder} for {PATIENCE_S:.0f} s; "
            "end that process if it hangs, then run again with --resume"
        )


def _owner_of(text: str) -> Worker | None:
    try:
        return Worker.from_dict(json.loads(text))
    except ValueError:
        return None


@contextmanager
def _one_breaker(journal: Path) -> Iterator[None]:
    """Let one process of this machine at a time break the lock; ends with the process."""
    with journal.open("r+b") as file:
        if sys.platform == "win32":
            import msvcrt

            # A byte far beyond the end: locks on Windows would keep readers out of what is there.
            file.seek(0x7FFFFFF0)
            msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
            try:
                yield
            finally:
                file.seek(0x7FFFFFF0)
                msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX)
            yield


def cut_torn_tail(journal: Path, *, read_last: bool = False) -> Path | None:
    """Cut the journal back to its last whole line; what is cut is kept beside it.

    The lock must be held. A line written half would be completed by the next one appended, and
    the file could not be read any more.

    Gives file to which the piece cut off was added (NAME.torn), or None if nothing was cut.
    """
    try:
        file = journal.open("r+b")
    except FileNotFoundError:
        return None
    with file:
        size = file.seek(0, os.SEEK_END)
        keep = size
        if size and _read(file, size - 1, size) != b"\n":
            keep = _line_start(file, size)
        while read_last and keep:
            start = _line_start(file, keep - 1)
            if _is_record(_read(file, start, keep)):
                break
            keep = start
        if keep == size:
            return None
        torn = journal.with_name(journal.name + ".torn")
        with torn.open("ab") as kept:
            kept.write(_read(file, keep, size) + b"\n")
            kept.flush()
            os.fsync(kept.fileno())
        file.truncate(keep)
        file.flush()
        os.fsync(file.fileno())
    _log.warning(
        "%s: its last line was cut off in mid-write; %d bytes moved to %s",
        journal, size - keep, torn.name,
    )  # fmt: skip
    return torn


def _read(file: IO[bytes], start: int, end: int) -> bytes:
    file.seek(start)
    return file.read(end - start)


def _line_start(file: IO[bytes], end: int) -> int:
    """Return where the line that reaches up to `end` begins."""
    while end > 0:
        start = max(0, end - 65536)
        newline = _read(file, start, end).rfind(b"\n")
        if newline >= 0:
            return start + newline + 1
        end = start
    return 0


def _is_record(line: bytes) -> bool:
    try:
        record = json.loads(line)
    except ValueError:
        return False
    return isinstance(record, dict) and "op_code" in record


def open_journal(path: Path) -> JournalStorage:
    """Open a journal file, or make it, and mend its end.

    Gives optuna's storage over that file.
    """
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
        raise _unusable(
            path, 1, f"is not a journal of studies (it begins {start!r}); give another path"
        )


def _damaged(path: Path) -> InputError:
    """Name the first line that is no record."""
    with path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            if not _is_record(line):
                return _unusable(
                    path,
                    number,
                    f"this line is damaged ({line[:40]!r}); delete the line in a copy of the file "
                    "and use the copy, or begin another journal",
                )
    return _unusable(path, 1, "its records contradict each other; begin another journal")


def _unusable(path: Path, line: int, message: str) -> InputError:
    return one_problem(path, line, "storage", message)
