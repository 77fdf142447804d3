"""Where numba finds our machine code again: by what the sources say, not by where they lie.

Numba's own rule takes the folder and the age of a source file, so the same release in another folder would be
compiled afresh. Here the folder is already named by a hash of all sources that take part, so nothing else is
asked. Numba's configuration, which others share, is left alone.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import stat
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from numba.core.caching import CompileResultCacheImpl, FunctionCache, IndexDataCacheFile, _CacheLocator

LONGEST_WAIT_s = 120.0  # Nothing takes as long to compile: who holds a lock longer has stopped half-way.
_TOLD: list[str] = []  # Said once a process: that machine code cannot be kept.


def is_private(folder: Path) -> bool:
    """Whether a folder in a place for all is this user's alone: what lies in it is run."""
    if not hasattr(os, "getuid"):
        return True  # a user's temporary folder is the user's own there
    about = folder.lstat()
    mine = stat.S_ISDIR(about.st_mode) and about.st_uid == os.getuid()
    return mine and not about.st_mode & 0o077


class _BySource(_CacheLocator):
    """A function's place: below its package's folder by its module, as two may share a file name."""

    def __init__(self, folder: Path, function: Callable[..., object]) -> None:
        self._line = function.__code__.co_firstlineno
        self._folder = str(folder / function.__module__)

    def get_cache_path(self) -> str:
        """Give the module's own folder."""
        return self._folder

    def get_source_stamp(self) -> str:
        """Tell fresh from stale: always the same, as the folder's name tells that already."""
        return ""

    def get_disambiguator(self) -> str:
        """Tell functions of one name in one file apart: by the first line."""
        return str(self._line)


class _Form(CompileResultCacheImpl):
    """How numba writes machine code down, at a place given instead of looked for."""

    def __init__(self, folder: Path, kind: str, function: Callable[..., object]) -> None:
        self._lineno = function.__code__.co_firstlineno
        self._locator = _BySource(folder, function)
        module = function.__module__.rpartition(".")[2]
        base: Any = self.get_filename_base
        self._filename_base = base(f"{module}.{function.__qualname__}{kind}", getattr(sys, "abiflags", ""))


class _WholeFiles(IndexDataCacheFile):
    """Files that carry the digest of their content: what is damaged is as if it were not there."""

    def _dump(self, obj: object) -> bytes:
        dump: Any = super()._dump
        data: bytes = dump(obj)
        return hashlib.sha256(data).digest() + data

    def _load_index(self) -> Any:
        """Give what the index lists; nothing where it is damaged or of another version."""
        try:
            with Path(self._index_path).open("rb") as file:
                if pickle.load(file) != self._version:
                    return {}
                stamp, listed = pickle.loads(_whole(file.read()))
        except (OSError, ValueError, EOFError, pickle.UnpicklingError, AttributeError, IndexError,
                ImportError, TypeError, KeyError, MemoryError):  # fmt: skip
            return {}
        return listed if stamp == self._source_stamp else {}

    def _load_data(self, name: str) -> Any:
        """Give one function's machine code; an error that numba takes for a file that is gone."""
        place: Any = self._data_path
        data = Path(place(name)).read_bytes()
        try:
            return pickle.loads(_whole(data))
        except ValueError as error:
            raise OSError(str(error)) from None


def _whole(data: bytes) -> bytes:
    """Content without its digest, which has to agree."""
    if hashlib.sha256(data[32:]).digest() != data[:32]:
        raise ValueError("damaged machine code")
    return data[32:]


class PlacedCache(FunctionCache):
    """The machine code of one function on disk, in the folder of its package."""

    def __init__(
        self, folder: Path, function: Callable[..., object], reduced: Any = None, rebuilt: Any = None
    ) -> None:
        self._held: dict[Any, Any] = {}
        form: Any = partial(_Form, folder, ".draft" if reduced else "")
        self._impl_class = form
        begin: Any = super().__init__
        begin(function)
        files: Any = _WholeFiles
        if reduced:
            self._impl.reduce, self._impl.rebuild = reduced, rebuilt
        self._cache_file = files(
            self._cache_path, self._impl.filename_base, self._impl.locator.get_source_stamp()
        )

    def load_overload(self, sig: Any, context: Any) -> Any:
        """Give machine code from disk; where another process is making it now, wait for that.

        What is missing is this process's to make from here on until it is saved.  Callers come before what
        they call in every process, so nobody waits in a circle.
        """
        find: Any = super().load_overload
        found = find(sig, context)
        if found is not None:
            return found
        held = self._hold()
        found = find(sig, context) if held is not None else None
        if held is not None:
            if found is None:
                self._held[sig] = held
            else:
                held.release()
        return found

    def _hold(self) -> Any:
        """Give the lock on this function; none where the folder takes none or its holder never ends."""
        from filelock import FileLock

        lock = FileLock(Path(self._cache_path) / f"{self._impl.filename_base}.lock")
        try:
            Path(self._cache_path).mkdir(parents=True, exist_ok=True)
            return lock.acquire(timeout=LONGEST_WAIT_s).lock
        except (OSError, RuntimeError):  # a time-out, or a file system without locks
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep machine code; where that cannot be done, say so once and go on without."""
        keep: Any = super().save_overload
        try:
            keep(sig, data)
            if sig in self._held:
                self._held.pop(sig).release()
        except OSError as error:
            if not _TOLD:
                _TOLD.append(str(error))
                reason = (error.strerror or str(error)).lower()
                sys.stderr.write(f"compiled code cannot be kept ({reason}): next time compiles too\n")
