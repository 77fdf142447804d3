"""The command line: ``evenidle COMMAND``."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

import sim
from workbench.commands.options import with_screen
from workbench.output.failing import INTERRUPTED, KEPT, tell_failure
from workbench.sheet.making import version

BAD_INPUT = 2
DAMAGED = (
    f"{Path(sim.__file__).parent.parent}:1: folder: a module's compiled form in it is damaged (cut short),"
    " allowed: whole ones; delete its folders __pycache__"
)
COLLECT_AFTER = 50_000  # Objects made before the garbage collector looks for cycles.

UsageProblem: type[Exception] = typer.BadParameter.__mro__[2]
"""Root of errors in options and arguments; typer keeps its own copy of click from 0.26 on."""

Part = Mapping[str, str | int | None]  # One problem by parts: file, line, key, what, allowed.

app = typer.Typer(
    name="evenidle",
    help="Why a stepper-valve idle hunts, settings that stop it, and proof before they are tried"
    " on the car. Begin with: evenidle demo",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
OFFERED = (
    "demo", "new", "check", "simulate", "explain", "fit", "diagnose", "tune", "stress", "base", "sheet",
    "compare", "page",
)  # fmt: skip
for name in OFFERED:
    app.command(name=name)(with_screen(getattr(import_module(f"workbench.commands.{name}"), name)))


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"evenidle {version()}")
        raise typer.Exit


@app.callback()
def overview(
    version: Annotated[  # noqa: ARG001 (its callback acts)
        bool, typer.Option("--version", is_eager=True, callback=_version, help="Tell the version.")
    ] = False,
) -> None:
    """Keep the commands as commands, however few there are."""
    # Imports make many objects and free hardly any: looking through them costs a fifth of a start.
    gc.set_threshold(COLLECT_AFTER)


def main(arguments: list[str] | None = None) -> int:
    """Run one command."""
    try:
        status = int(app(arguments, prog_name="evenidle", standalone_mode=False) or 0)
        sys.stdout.flush()
        if arguments is None:
            # The process ends here: looking once more for cycles would cost a quarter second.
            gc.freeze()
        if status == INTERRUPTED:
            tell_failure(KEPT, arguments=arguments)
        return status
    except sim.EvenidleError as error:
        told = [problem.to_dict() for problem in getattr(error, "problems", ())]
        return _failed(str(error), told, arguments)
    except UsageProblem as error:
        return _failed(*_usage(error), arguments)
    except typer.Abort as error:
        # Python's own compiled modules end too soon where a full disk cut them: no interruption.
        if isinstance(error.__cause__, EOFError):
            return _failed(DAMAGED, None, arguments)
        tell_failure(KEPT, arguments=arguments)
        return INTERRUPTED
    except KeyboardInterrupt:
        tell_failure(KEPT, arguments=arguments)
        return INTERRUPTED
    except SystemExit as end:
        # Libraries that print end so where the reader has gone, as under "| head".
        if not isinstance(end.__context__, BrokenPipeError):
            raise
        return _unread()
    except BrokenPipeError:
        return _unread()
    except (OSError, MemoryError) as error:
        _unread()
        return _failed(_system_line(error), None, arguments)


def _failed(text: str, problems: Sequence[Part] | None, arguments: list[str] | None) -> int:
    tell_failure(text, problems, arguments)
    return BAD_INPUT


def _unread() -> int:
    """Let what is still to be written go nowhere: nobody is left to write to."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def _system_line(error: OSError | MemoryError) -> str:
    """What the system refused, in one line."""
    if isinstance(error, MemoryError):
        return "evenidle: not enough memory, allowed: a smaller file or more memory"
    reason = (error.strerror or str(error) or type(error).__name__).lower()
    place = "standard output" if error.filename is None else str(error.filename)
    return f"{place}:1: file: cannot be used ({reason}), allowed: one that can be"


def _usage(error: Exception) -> tuple[str, list[Part]]:
    """An error of usage as one line that names the command, and by parts."""
    context = getattr(error, "ctx", None)
    command = getattr(context, "command_path", "evenidle")
    told = error.format_message() if hasattr(error, "format_message") else str(error)
    told = " ".join(told.split())
    if not told:
        return "", []
    told = f"{told[:1].lower()}{told[1:].rstrip('.')}"
    see = f"see {command} --help"
    names = getattr(getattr(error, "param", None), "opts", None)
    key = getattr(error, "option_name", None) or (names[0] if names else None)
    parts: Part = {"file": command, "line": 1, "key": key, "what": told, "allowed": see}
    return f"{command}: {told}; {see}", [parts]
