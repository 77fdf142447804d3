"""Where numba finds our machine code again: by what the sources say, not by where they lie.

Numba's own rule takes the folder and the age of a source file, so the same release in another
folder, or a fresh copy of it, would be compiled afresh.  Here the folder is already named by a
hash of all sources that take part (``compiling.source_key``), so nothing else is asked.  The
place belongs to each of our functions: numba's configuration, which others share, is left alone.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from numba.core.caching import CompileResultCacheImpl, FunctionCache, _CacheLocator


class _BySource(_CacheLocator):
    """A function's place: below its package's folder by its module, then by its first line.

    By module, as files in two packages may bear one name.
    """

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

    def __init__(self, folder: Path, function: Callable[..., object]) -> None:
        self._lineno = function.__code__.co_firstlineno
        self._locator = _BySource(folder, function)
        module = function.__module__.rpartition(".")[2]
        base: Any = self.get_filename_base
        self._filename_base = base(
            f"{module}.{function.__qualname__}", getattr(sys, "abiflags", "")
        )


class PlacedCache(FunctionCache):
    """The machine code of one function on disk.

    Parameters
    ----------
    folder : Path
        Folder of the function's package, see ``compiling.cache_folder``.
    function : callable
        The function in Python.
    """

    def __init__(self, folder: Path, function: Callable[..., object]) -> None:
        form: Any = partial(_Form, folder)
        self._impl_class = form
        begin: Any = super().__init__
        begin(function)
