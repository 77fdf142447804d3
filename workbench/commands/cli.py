"""The command line: ``evenidle COMMAND``.

Each command is in its own file and imports what it needs when it runs, so that ``--help`` and a
mistyped option answer at once.
"""

from __future__ import annotations

import gc
import os
import sys

import typer

from sim.errors import EvenidleError
from workbench.commands.base import base
from workbench.commands.check import check
from workbench.commands.compare import compare
from workbench.commands.demo import demo
from workbench.commands.diagnose import diagnose
from workbench.commands.explain import explain
from workbench.commands.fit import fit
from workbench.commands.new import new
from workbench.commands.page import page
from workbench.commands.sheet import sheet
from workbench.commands.simulate import simulate
from workbench.commands.stress import stress
from workbench.commands.tune import tune

BAD_INPUT = 2
INTERRUPTED = 130
COLLECT_AFTER = 50_000
"""Objects made before the garbage collector looks for cycles."""
KEPT = "interrupted; what was finished is kept"

UsageProblem: type[Exception] = typer.BadParameter.__mro__[2]
"""Root of errors in options and arguments; typer keeps its own copy of click from 0.26 on."""

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
    demo, new, check, simulate, explain, fit, diagnose, tune, stress, base, sheet, compare, page,
)  # fmt: skip
for command in OFFERED:
    app.command(name=command.__name__)(command)


@app.callback()
def overview() -> None:
    """Keep the commands as commands, however few there are."""
    # Imports make many objects and free hardly any: looking through them costs a fifth of a start.
    gc.set_threshold(COLLECT_AFTER)


def main(arguments: list[str] | None = None) -> int:
    """Run one command.

    Gives exit status: 0 done, 1 done and the verdict is bad, 2 bad input or usage, 130 interrupted.
    """
    try:
        status = int(app(arguments, prog_name="evenidle", standalone_mode=False) or 0)
        sys.stdout.flush()
        if arguments is None:
            # The process ends here: looking once more for cycles would cost a quarter second.
            gc.freeze()
        if status == INTERRUPTED:
            _complain(KEPT)
        return status
    except EvenidleError as error:
        _complain(str(error))
        return BAD_INPUT
    except UsageProblem as error:
        _complain(_usage_line(error))
        return BAD_INPUT
    except (KeyboardInterrupt, typer.Abort):
        _complain(KEPT)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader has gone, as under "| head": nobody is left to write to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _complain(text: str) -> None:
    sys.stderr.write(text + "\n")


def _usage_line(error: Exception) -> str:
    """An error of usage as one line that names the command."""
    context = getattr(error, "ctx", None)
    command = getattr(context, "command_path", "evenidle")
    told = error.format_message() if hasattr(error, "format_message") else str(error)
    told = " ".join(told.split())
    if not told:
        return ""
    return f"{command}: {told[:1].lower()}{told[1:].rstrip('.')}; see {command} --help"
