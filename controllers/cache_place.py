"""Where numba finds machine code again: by what the sources say, not by where they lie.

Numba's own rule takes the folder and the age of a source file, so the same release in another
folder, or a fresh copy of it, would be compiled afresh.  Here the folder is already named by a
hash of all sources that take part (``compiling.source_key``), so nothing else is asked.
"""

from __future__ import annotations

from pathlib import Path

from numba.core import config
from numba.core.caching import _CacheLocator


class BySource(_CacheLocator):
    """Keep a function's machine code below the folder set last, by its module and line.

    Parameters
    ----------
    module : str
        Dotted name of the module: files in two packages may bear one name.
    line : int
        First line of the function.
    """

    def __init__(self, module: str, line: int) -> None:
        self._line = line
        self._folder = str(Path(config.CACHE_DIR) / module)  # type: ignore[attr-defined]

    @classmethod
    def from_function(cls, py_func: object, py_file: str) -> BySource:
        """Give numba the place of a function.

        Gives the place.
        """
        del py_file
        line: int = py_func.__code__.co_firstlineno  # type: ignore[attr-defined]
        return cls(py_func.__module__, line)

    def get_cache_path(self) -> str:
        """Give the folder.

        Gives the module's own within ``compiling.cache_folder``.
        """
        return self._folder

    def get_source_stamp(self) -> str:
        """Tell fresh from stale: the folder's name does that already.

        Gives always the same.
        """
        return ""

    def get_disambiguator(self) -> str:
        """Tell functions of one name in one file apart.

        Gives the function's first line.
        """
        return str(self._line)
