"""How every figure looks and is written: one style, the same bytes for the same numbers."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import sim

if TYPE_CHECKING:
    from matplotlib import axes, figure

Axes: TypeAlias = "axes.Axes"
Figure: TypeAlias = "figure.Figure"  # Names for annotations: matplotlib is loaded by whoever draws.
BLUE, ORANGE, GREEN, RED, GREY, BLACK = ("#0060a8", "#e08214", "#1b8a5a", "#b2182b", "#8c8c8c", "#202020")
"""Told apart by eyes that miss red or green, and by their lightness in grey print."""
PALE = "#dfe6ec"
SPEED, VALVE, PRESSURE, HEAT, TRIM = BLUE, "#a85a00", "#14663f", "#b2182b", "#6d3a9c"
"""What is drawn has one colour everywhere, in print and on the page."""
WIDTH_in = 7.2  # As wide as paper has room for, so that letters are printed as large as they are drawn.

STYLE: dict[str, Any] = {
    "axes.axisbelow": True, "axes.edgecolor": GREY, "axes.grid": True, "axes.labelsize": 9,
    "axes.spines.right": False, "axes.spines.top": False, "axes.titlelocation": "left",
    "axes.titlesize": 10, "figure.dpi": 110, "font.family": "DejaVu Sans", "font.size": 9,
    "grid.color": "#e4e4e4", "grid.linewidth": 0.6, "legend.fontsize": 9, "legend.frameon": False,
    "lines.linewidth": 1.2, "path.simplify_threshold": 0.5, "pdf.fonttype": 42, "svg.fonttype": "path",
    "svg.hashsalt": "evenidle", "xtick.labelsize": 9, "ytick.labelsize": 9,
}  # fmt: skip
NO_DATE: dict[str, dict[str, None]] = {
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "ModDate": None, "Producer": None, "Creator": None},
    "png": {"Software": None},
}
"""Metadata left out, so that the same numbers give the same file."""


def new_figure(height_in: float, width_in: float = WIDTH_in) -> Figure:
    """Make an empty figure of a height; no window toolkit takes part."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), layout="constrained")


@contextmanager
def styled() -> Iterator[None]:
    """Apply the style while a ``with`` block, or the function that this decorates, draws or writes."""
    from matplotlib import rc_context

    with rc_context(STYLE):  # type: ignore[arg-type] # keys are known to matplotlib, not as text
        yield


def legend_above(axes: Axes, columns: int) -> None:
    """Say what lines are above the axes, where no line runs under it."""
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=columns, borderaxespad=0.1)


def rows_of_axes(figure: Figure, heights: list[float]) -> list[Axes]:
    """Stack axes that share their horizontal axis."""
    grid = figure.subplots(
        len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
    )
    return list(grid[:, 0])


def figure_bytes(figure: Figure, kind: str) -> bytes:
    """Draw a figure into a file's bytes."""
    stream = io.BytesIO()
    with styled():
        figure.savefig(stream, format=kind, metadata=NO_DATE[kind])
    return stream.getvalue()


def save_figure(figure: Figure, path: Path) -> None:
    """Write a figure whole or not at all; the ending of the name says in which form."""
    sim.write_beside(path, figure_bytes(figure, path.suffix[1:].lower()))
