"""How the product compiles its numeric code, calls it, and keeps it in one safe cache.

All is IEEE arithmetic without reordering or contraction: every schedule must give the same bits. Numba's disk
cache looks only at the file of the function itself, so an edit in a callee would leave a stale caller; the
cache folder is therefore named by a hash of all sources that take part.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import tempfile
import time
from collections.abc import Callable
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import numpy as np

from controllers.cache_place import PlacedCache, is_private
from controllers.drafts import Draft, rebuilt, reduced

_COMPILES = re.compile(rb"^\s*@(?:compiled|relation|routine)\b", re.MULTILINE)
_IMPORTS = re.compile(rb"^from ((?:controllers|sim|tuning)(?:\.\w+)+) import", re.MULTILINE)
_WHOLE = "whole"
_ARRAYS = {"np.ndarray", "Tables"}  # Annotations of what holds arrays.
F = TypeVar("F", bound=Callable[..., object])
_PLAIN = bool(numba.config.DISABLE_JIT)  # type: ignore[attr-defined]

CALLS_INTO = {
    "controllers": ("controllers",),
    "sim": ("controllers", "sim"),
    "tuning": ("controllers", "sim", "tuning"),
}
"""Packages whose sources can end up in the compiled code of a package."""
KEPT_CACHES = 6  # Old cache folders kept beside the present ones (several checkouts may share a machine).


def source_key(package: str) -> str:
    """Twenty hexadecimal digits of every source that can end up in a package's compiled code."""
    digest = hashlib.sha256(f"{numba.__version__} {np.__version__}".encode())
    for path, source in _sources_of_machine_code(package):
        digest.update(path.as_posix().encode())
        digest.update(source)
    return digest.hexdigest()[:20]


def _sources_of_machine_code(package: str) -> list[tuple[Path, bytes]]:
    """Files with compiled functions, and those whose names (constants, records) they take in."""
    home = Path(__file__).resolve().parent.parent
    folders = CALLS_INTO.get(package, CALLS_INTO["tuning"])
    paths = [path for folder in folders for path in sorted((home / folder).rglob("*.py"))]
    shown = [path.relative_to(home) for path in paths]
    dotted = [".".join(name.with_suffix("").parts).removesuffix(".__init__") for name in shown]
    sources = {one: (name, (home / name).read_bytes()) for one, name in zip(dotted, shown, strict=True)}
    wanted = {name for name, (_, source) in sources.items() if _COMPILES.search(source)}
    for name in sorted(wanted):
        wanted.update(one.decode() for one in _IMPORTS.findall(sources[name][1]))
    return [sources[name] for name in sorted(wanted & set(sources))]


def cache_root() -> Path:
    """Folder that holds the caches: the user's cache folder, else a temporary one."""
    from platformdirs import user_cache_path

    wanted = os.environ.get("EVENIDLE_CACHE_DIR")
    choices = [Path(wanted)] if wanted else [user_cache_path("evenidle", appauthor=False)]
    choices.append(
        Path(tempfile.gettempdir()) / f"evenidle-cache-{os.getuid() if hasattr(os, 'getuid') else 0}"
    )
    for root in choices:
        try:
            shared = root is choices[-1]
            root.mkdir(mode=0o700 if shared else 0o777, parents=True, exist_ok=True)
            if shared and not is_private(root):
                continue
            with tempfile.TemporaryFile(dir=root):
                return root
        except OSError:
            continue
    return Path(tempfile.mkdtemp(prefix="evenidle-cache-"))


def _remove_old(root: Path, keep: Path) -> None:
    """Delete all but the most recently used cache folders; failures do not matter."""
    try:
        old = sorted(
            (d for d in root.glob("compiled-*") if d.is_dir() and d != keep),
            key=lambda d: d.stat().st_mtime,
            reverse=True,
        )
        for folder in old[KEPT_CACHES:]:
            if time.time() - folder.stat().st_mtime > 3600.0:
                shutil.rmtree(folder, ignore_errors=True)
    except OSError:
        return


@cache
def cache_folder(package: str) -> Path:
    """Folder of the compiled code of a package, made if it is not there."""
    root = cache_root()
    folder = root / f"compiled-{package}-{source_key(package)}"
    if not folder.is_dir():
        _remove_old(root, folder)
        folder.mkdir(parents=True, exist_ok=True)
    return folder


def is_warm() -> bool:
    """Whether all compiled code for this exact source was once made and kept.

    False until ``now_warm`` after an install or an edit; true where nothing is compiled.
    """
    return _PLAIN or (cache_folder("tuning") / _WHOLE).exists()


def now_warm() -> None:
    """Note that all compiled code is on disk, for the next process to know."""
    (cache_folder("tuning") / _WHOLE).touch()


def _lent(function: Callable[..., object]) -> dict[str, bool]:
    """Have a function that others call take arrays without counting who holds them.

    Whoever runs it holds them until it returns; what gives back an array has to count. Counting, which has to
    be safe among threads, took a tenth of a run. Functions without arrays are told to count, else they would
    do as their caller: then the compiler makes branches of choices.
    """
    if not hasattr(numba.core.options.DefaultOptions, "_nrt"):
        return {}
    kinds = dict(function.__annotations__)
    gives = kinds.pop("return", None) in _ARRAYS
    return {"_nrt": gives or not _ARRAYS & set(kinds.values())}


def _cached(function: F, **options: Any) -> F:
    """Compile with the disk cache of the function's own package."""
    made: Any = numba.njit(error_model="numpy", **options)(function)
    if not _PLAIN:
        folder = cache_folder(function.__module__.partition(".")[0])
        made._cache = PlacedCache(folder, function)
    return cast("F", made)


def _pick_python(condition: bool, new: float, old: float) -> float:
    return new if condition else old


def _pick_select(whole: bool) -> Callable[[bool, float, float], float]:
    """Make the choice as one machine instruction.

    Written as a branch, the compiler gathers all choices of one condition into one branch with conditional
    stores, which vectorise badly. A choice between something new and what a place holds, stored there, it
    also turns into one; ``whole`` hides from it where the old value comes from, by LLVM's instruction
    ``freeze``, which costs nothing.
    """
    from numba.core import types
    from numba.extending import intrinsic

    def build(_typing: Any, condition: Any, new: Any, old: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            casted = [
                context.cast(builder, value, kind, types.float64)
                for value, kind in zip(arguments[1:], signature.args[1:], strict=True)
            ]
            truth = context.cast(builder, arguments[0], signature.args[0], types.boolean)
            if whole:
                frozen = cast("Any", import_module("llvmlite.ir")).instructions.Instruction
                casted[1] = frozen(builder.block, casted[1].type, "freeze", casted[1:])
                builder._insert(casted[1])
            return builder.select(truth, *casted)

        return types.float64(condition, new, old), generate

    return cast("Callable[[bool, float, float], float]", intrinsic(build))


pick = _pick_python if _PLAIN else _pick_select(False)
"""Choose ``new`` if a condition holds, else ``old``, without a branch: (bool, float, float)."""
hold = _pick_python if _PLAIN else _pick_select(True)
"""The same for what is stored where ``old`` was read: written whole, as some processors take many times as
long to write some lanes of a vector as all of them."""


def _draft(function: F, **options: Any) -> F:
    """Compile what other compiled code takes in, and by itself only where Python calls it."""
    whole = _cached(function, **options)
    if _PLAIN:
        return whole
    made: Any = Draft(function, whole, {"error_model": "numpy", **options})
    made._cache = PlacedCache(cache_folder(function.__module__.partition(".")[0]), function, reduced, rebuilt)
    return cast("F", made)


def relation(function: F) -> F:
    """Compile a small function of floats and records that is always inlined, into one step or one lane.

    Python may call it too, and it is cached for that.
    """
    return _draft(function, forceinline=True, **_lent(function))


def routine(function: F) -> F:
    """Compile a larger function of floats, arrays and records that compiled code calls, inlined or not."""
    return _draft(function, nogil=True, **_lent(function))


def compiled(function: F) -> F:
    """Compile a function of floats, arrays and records that Python calls.

    It is cached on disk and releases the interpreter lock.
    """
    return _draft(function, nogil=True)


def _form(one: object) -> object:
    """What the type of an argument depends on; numba takes milliseconds to name that of a block."""
    if isinstance(one, np.ndarray):
        flags = one.flags
        return one.dtype, one.ndim, flags.c_contiguous, flags.f_contiguous, flags.writeable
    if isinstance(one, np.void):
        return one.dtype
    if isinstance(one, tuple):
        return type(one), *map(_form, one)
    return type(one)


def compile_part(function: Callable[..., object], arguments: tuple[object, ...]) -> None:
    """Compile what other compiled code takes in, which then finds it done.

    Parameters
    ----------
    function : callable
        A relation, a routine, or compiled.
    arguments : tuple
        Of the very types that it will be called with.
    """
    if not _PLAIN:
        cast("Any", function).compile(tuple(numba.typeof(one) for one in arguments))  # type: ignore[no-untyped-call]


_ENTRIES: dict[tuple[object, ...], Any] = {}


def machine_code(function: F, *arguments: object) -> F:
    """Find what a compiled function does for arguments of these types, to be called directly.

    Called itself, it looks at every argument to find its type, which for arrays of records takes a hundred
    times as long as a step of a run.

    Parameters
    ----------
    function : callable
        From ``compiled``.
    arguments
        Of the very types that it will be called with.

    Returns
    -------
    callable, for arguments of these types only, and by position; not checked
    """
    if _PLAIN:
        return function
    form = (function, *map(_form, arguments))
    if form not in _ENTRIES:
        kinds = tuple(numba.typeof(one) for one in arguments)  # type: ignore[no-untyped-call]
        _ENTRIES[form] = cast("Any", function).whole.compile(kinds)
    return cast("F", _ENTRIES[form])
