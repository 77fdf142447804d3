"""What the commands do alike with a result: tell it in words and write its figures."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.output.printing import Screen

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def say_lines(screen: Screen, result: Any) -> None:
    """Print a result in words: its verdict always, the rest unless quiet."""
    first, *rest = result.lines()
    screen.verdict(first)
    for line in rest:
        screen.say(line)


def check_place(path: Path | None) -> None:
    """See that a file can be made there, before the work that will fill it."""
    import os

    from sim.files import one_problem

    if path is None:
        return
    folder = path.absolute().parent
    if path.is_dir():
        raise one_problem(path, 1, "file", "is a folder, allowed: the name of a file")
    if not folder.is_dir():
        raise one_problem(path, 1, "file", "its folder is not there, allowed: one that is")
    if not os.access(folder, os.W_OK):
        raise one_problem(path, 1, "file", "its folder is closed to you, allowed: one that is not")


def made_folder(out: Path) -> Path:
    """Make a folder for output, if it is not there.

    Gives the same.
    """
    from sim.files import one_problem

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        message = f"cannot be made ({reason}), allowed: a place for a folder"
        raise one_problem(out, 1, "folder", message) from None
    return out


def write_figures(screen: Screen, out: Path, figures: Mapping[str, Figure]) -> list[str]:
    """Write figures into a folder as PNG.

    Gives files written.
    """
    from workbench.output.drawing import save_figure

    made_folder(out)
    files = []
    for name, figure in figures.items():
        path = out / f"{name}.png"
        save_figure(figure, path)
        files.append(str(path))
        screen.say(f"written: {path}")
    return files
