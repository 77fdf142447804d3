"""Printed pages by matplotlib: text, tables and figures set from top to bottom on A4."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from workbench.output.drawing import NO_DATE, new_figure, styled

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH_in, HEIGHT_in = 8.27, 11.69
MARGIN_in = 0.55
POINT_in = 1.0 / 72.0
TALLEST_SHARE, UPRIGHT_SHARE = 0.28, 0.45
"""A picture takes at most this share of a page's height; one taller than wide, which has the
smallest letters, the second [-]."""
LEAST_SCALE = 0.8
"""A picture is made smaller by as much where it then still fits on the page begun [-]."""
CAPTION_pt = 8.6
BOLD_SHARE = 0.9
"""Letters of a bold line over those of a plain one of the same length [-]."""
FIRST_BASELINE, LINE = 0.85, 1.16
"""In a table's row: from its top to the first baseline, and from one to the next, over the font
size [-]."""
LETTER_SHARE = 0.51
"""Mean width of a letter over the font size, on the wide side [-]."""


class PdfPages:
    """Pages that fill from the top; a new one begins when something no longer fits.

    Parameters
    ----------
    title : str
        Stands small at the foot of each page.
    """

    def __init__(self, title: str) -> None:
        self.title = title
        self.pages: list[Figure] = []
        self.top_in = 0.0
        self.new_page()

    def new_page(self) -> None:
        """Begin a page."""
        with styled():
            page = new_figure((WIDTH_in, HEIGHT_in))
            page.set_layout_engine("none")
            self.pages.append(page)
            foot = f"{self.title}    {len(self.pages)}"
            page.text(0.5, 0.3 / HEIGHT_in, foot, ha="center", fontsize=7, color="#606060")
        self.top_in = HEIGHT_in - MARGIN_in

    def need(self, height_in: float) -> None:
        """Begin a page unless this much room is left."""
        if self.top_in - height_in < MARGIN_in:
            self.new_page()

    def _write(
        self, text: str, left_in: float, size: float, bold: bool = False, colour: str = "#1c1c1c",
        right: bool = False,
    ) -> None:  # fmt: skip
        self.pages[-1].text(
            left_in / WIDTH_in, self.top_in / HEIGHT_in, text, fontsize=size, color=colour,
            va="top", ha="right" if right else "left", weight="bold" if bold else "normal",
            parse_math=False,
        )  # fmt: skip

    def heading(self, text: str, size: float = 11.0) -> None:
        """Write a heading."""
        self.need(size * POINT_in * 5.0)
        self.top_in -= 0.45 * size * POINT_in
        self._write(text, MARGIN_in, size, bold=True)
        self.top_in -= 1.5 * size * POINT_in

    def paragraph(
        self, text: str, size: float = 7.6, lead: str = "", indent_in: float = 0.0,
        colour: str = "#1c1c1c", bold: bool = False,
    ) -> None:  # fmt: skip
        """Write text, wrapped; ``lead`` hangs before it."""
        left_in = MARGIN_in + indent_in
        hang_in = 0.18 if lead else 0.0
        room_in = (WIDTH_in - MARGIN_in - left_in - hang_in) * (BOLD_SHARE if bold else 1.0)
        lines = textwrap.wrap(text, _letters(room_in, size)) or [""]
        for place, line in enumerate(lines):
            self.need(1.3 * size * POINT_in)
            if lead and place == 0:
                self._write(lead, left_in, size, colour=colour)
            self._write(line, left_in + hang_in, size, bold, colour)
            self.top_in -= 1.32 * size * POINT_in
        self.top_in -= 0.25 * size * POINT_in

    def table(
        self, columns: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float],
        right: str = "", strong: int = -1, size: float = 7.4,
    ) -> None:  # fmt: skip
        """Write a table; widths are shares of the page's width."""
        whole_in = WIDTH_in - 2.0 * MARGIN_in
        spans = [whole_in * width / sum(widths) for width in widths]
        lefts = [MARGIN_in + sum(spans[:i]) for i in range(len(spans))]
        if any(columns):
            self._row(columns, lefts, spans, right, size, strong=-2)
        for row in rows:
            self._row(row, lefts, spans, right, size, strong)
        self.top_in -= 0.5 * size * POINT_in

    def _row(
        self, cells: Sequence[str], lefts: Sequence[float], spans: Sequence[float], right: str,
        size: float, strong: int,
    ) -> None:  # fmt: skip
        """Write a row; ``strong`` is the bold column, -2 for a whole bold row."""
        wrapped = [
            textwrap.wrap(cell, _letters(span - 0.08, size)) or [""]
            for cell, span in zip(cells, spans, strict=True)
        ]
        height_in = (1.25 * max(len(lines) for lines in wrapped) + 0.35) * size * POINT_in
        self.need(height_in)
        for place, lines in enumerate(wrapped):
            to_right = right[place : place + 1] == "r"
            left_in = lefts[place] + (spans[place] - 0.1 if to_right else 0.0)
            bold = strong in (-2, place)
            for number, line in enumerate(lines):
                # By the baseline: words without a tall letter would else stand above their row.
                down_in = (FIRST_BASELINE + LINE * number) * size * POINT_in
                self.pages[-1].text(
                    left_in / WIDTH_in, (self.top_in - down_in) / HEIGHT_in, line, fontsize=size,
                    ha="right" if to_right else "left", va="baseline", parse_math=False,
                    weight="bold" if bold else "normal", color="#1c1c1c",
                )  # fmt: skip
        self.top_in -= height_in
        self._rule()

    def _rule(self) -> None:
        from matplotlib.lines import Line2D

        y = (self.top_in + 0.02) / HEIGHT_in
        ends = [MARGIN_in / WIDTH_in, 1.0 - MARGIN_in / WIDTH_in]
        page = self.pages[-1]
        page.add_artist(Line2D(ends, [y, y], color="#d4d4d4", linewidth=0.5))

    def captioned(self, finding: str, png: bytes) -> None:
        """Set a picture with its finding above it, at full width or lower where it is tall."""
        from matplotlib.image import imread

        with io.BytesIO(png) as stream:
            pixels = imread(stream, format="png")
        tall, wide = pixels.shape[:2]
        most_in = (UPRIGHT_SHARE if tall > wide else TALLEST_SHARE) * HEIGHT_in
        height_in = min((WIDTH_in - 2.0 * MARGIN_in) * tall / wide, most_in)
        letters = _letters((WIDTH_in - 2.0 * MARGIN_in) * BOLD_SHARE, CAPTION_pt)
        lines = len(textwrap.wrap(finding, letters))
        caption_in = (1.32 * lines + 0.25) * CAPTION_pt * POINT_in
        room_in = self.top_in - MARGIN_in - caption_in
        if LEAST_SCALE * height_in <= room_in:
            height_in = min(height_in, room_in)
        width_in = height_in * wide / tall
        self.need(height_in + caption_in)
        self.paragraph(finding, CAPTION_pt, bold=True)
        bottom_in = self.top_in - height_in
        box = (
            MARGIN_in / WIDTH_in, bottom_in / HEIGHT_in, width_in / WIDTH_in, height_in / HEIGHT_in,
        )  # fmt: skip
        axes = self.pages[-1].add_axes(box)
        axes.imshow(pixels, aspect="auto", interpolation="antialiased")
        axes.set_axis_off()
        self.top_in = bottom_in - 0.15

    def to_bytes(self) -> bytes:
        """Write all pages.

        Gives A PDF, the same for the same pages.
        """
        from matplotlib.backends.backend_pdf import PdfPages as Writer

        stream = io.BytesIO()
        with styled(), Writer(stream, metadata={"Title": self.title, **NO_DATE["pdf"]}) as writer:
            for page in self.pages:
                writer.savefig(page)
        return stream.getvalue()


def _letters(room_in: float, size: float) -> int:
    return max(4, int(room_in / (LETTER_SHARE * size * POINT_in)))
