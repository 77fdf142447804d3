"""Code that other compiled code takes in: kept as a draft until a caller is made into machine code.

Numba optimises each function and makes machine code of it, also of those that are inlined wherever they are
called, which nobody then runs: a third of the time of compiling.  A draft is typed, lowered and linked into
its callers, and no more.  What Python calls is compiled whole when it does.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Compiler, CompileResult
from numba.core.registry import CPUDispatcher
from numba.core.types import unliteral

_LIBRARY: Any = JITCodeLibrary
_DISPATCHER: Any = CPUDispatcher  # Numba's own, of which no types are known.


class _NoEntry:
    """Stands where numba has the way into a function from Python, as what it is found by."""


class _DraftLibrary(_LIBRARY):  # type: ignore[misc] # untyped
    """Intermediate code of a function and of all that it calls, fit to be linked, never to be run."""

    def finalize(self) -> None:
        """Take in what is called; optimising is left to the caller that is run."""
        for library in dict.fromkeys(self._linking_libraries):
            if hasattr(self, "_reload_init"):  # done once more when read from disk; numba 0.62 has none
                self._reload_init.update(library._reload_init)
            self._final_module.link_in(library._get_module_for_linking(), preserve=True)
        self._finalize_dynamic_globals()
        self._finalized = True

    def written(self) -> tuple[str, bytes]:
        """Give name and code, to be kept on disk."""
        return self.name, self._get_module_for_linking().as_bitcode()

    @classmethod
    def read(cls, codegen: Any, name: str, code: bytes) -> Any:
        """Make the library again from what ``written`` gave."""
        library: Any = cls(codegen, name)
        library._final_module = library._shared_module = import_module("llvmlite.binding").parse_bitcode(code)
        library._finalize_dynamic_globals()
        library._finalized = True
        return library


class _DraftCompiler(Compiler):
    """Numba's own passes, into a draft."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        begin: Any = super().__init__
        begin(*arguments, **named)
        self.state.library = _DraftLibrary(self.state.targetctx.codegen(), "draft")
        self.state.targetctx.get_executable = lambda *_: _NoEntry()


class Draft(_DISPATCHER):  # type: ignore[misc] # untyped
    """A function that compiled code takes in as a draft, and that Python calls as code of its own.

    Parameters
    ----------
    function : callable
        Plain Python.
    whole : callable
        The same function, compiled by numba, for calls from Python.
    options
        Numba's, the same for both.
    """

    def __init__(self, function: Callable[..., object], whole: Any, options: dict[str, Any]) -> None:
        without = dict.fromkeys(("no_cpython_wrapper", "no_cfunc_wrapper"), True)
        options = {**options, **without, "nopython": True, "boundscheck": None}
        super().__init__(function, targetoptions=options, pipeline_class=_DraftCompiler)
        self.whole = whole

    @property
    def stats(self) -> Any:
        """What of the code that Python calls was found on disk."""
        return self.whole.stats

    def get_call_template(self, kinds: tuple[Any, ...], named: dict[str, Any]) -> Any:
        """Take a number written in a call as any: numba would compile all below it for that one."""
        find: Any = super().get_call_template
        return find(tuple(map(unliteral, kinds)), named)

    def add_overload(self, result: Any) -> None:
        """Offer a draft to compiled callers, and not to Python."""
        self.overloads[tuple(result.signature.args)] = result

    def _compile_for_args(self, *arguments: Any, **named: Any) -> Any:
        """Compile what Python calls, once for each set of types; the next call finds it at once."""
        known = len(self.whole.overloads)
        code = self.whole._compile_for_args(*arguments, **named)
        for kinds, result in list(self.whole.overloads.items())[known:]:
            self._insert([kind._code for kind in kinds], result.entry_point, False)
        return code


def reduced(result: Any) -> tuple[Any, ...]:
    """What is kept of a draft on disk: as numba's own, but for the library."""
    about = result.fndesc
    about.typemap = about.calltypes = None
    return result.library.written(), about, result.environment, result.signature, result.reload_init


def rebuilt(context: Any, kept: tuple[Any, ...]) -> Any:
    """Make a draft again from what was kept."""
    (name, code), about, environment, signature, reload_init = kept
    for again in reload_init:
        again()
    make: Any = CompileResult
    return make(
        target_context=context, typing_context=context.typing_context, environment=environment,
        library=_DraftLibrary.read(context.codegen(), name, code), entry_point=_NoEntry(), fndesc=about,
        signature=signature, type_annotation="", objectmode=False, lifted=(), typing_error=None,
        call_helper=None, metadata=None, reload_init=reload_init, referenced_envs=(),
    )  # fmt: skip
