"""Printed pages by fpdf2: text, tables and pictures set from top to bottom on A4."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, cast

from workbench.output.drawing import Figure, figure_bytes
from workbench.words.tables import BOX, WORSE, Table

if TYPE_CHECKING:
    from fpdf import FPDF

MARGIN_in = 0.55
POINT_in = 1.0 / 72.0
LINE = 1.3  # From one line to the next over the font size [-].
TALLEST_SHARE = 0.65  # A picture takes at most this share of a page's height [-].
LEAST_SCALE = 0.85  # A picture is made smaller by as much where it then still fits on the page begun [-].
CAPTION_pt, TABLE_pt = 8.6, 7.4
INK, FAINT, PALE, BAD = "#1c1c1c", "#606060", "#d4d4d4", "#9a1c1c"
NO_DATE = datetime(2000, 1, 1, tzinfo=UTC)
"""Written as the day of making, so that the same pages give the same file."""


class PdfPages:
    """Pages that fill from the top; a new one begins when something no longer fits."""

    blank = "______________"

    def __init__(self, title: str) -> None:
        self._pdf = _paper(title)
        self._pdf.add_page()

    def _need(self, height_in: float) -> None:
        """Begin a page unless this much room is left."""
        if self._pdf.will_page_break(height_in):
            self._pdf.add_page()

    def _font(self, size: float, bold: bool = False, colour: str = INK) -> None:
        self._pdf.set_font("sans", "B" if bold else "", size)
        self._pdf.set_text_color(colour)

    def heading(self, text: str, size: float = 11.0, *, room_in: float = 0.0, fresh: bool = False) -> None:
        """Write a heading, never alone at the foot of a page, or with more room below it."""
        if fresh:
            self._pdf.add_page()
        self._need(room_in)
        self._need(5.0 * size * POINT_in)
        self._pdf.ln(0.45 * size * POINT_in)
        self._font(size, bold=True)
        self._lines(text, size)
        self._pdf.ln(0.2 * size * POINT_in)

    def paragraph(self, text: str, size: float = 7.6, **_screen: bool) -> None:
        """Write text, wrapped."""
        self._hung(text, size)

    def points(self, items: Sequence[str], size: float = 7.6) -> None:
        """Write a list, each with a dash hanging before it."""
        for item in items:
            self._hung(item, size, "-")

    def cautions(self, cautions: Sequence[tuple[str, str]]) -> None:
        """Write the cautions, marked."""
        self.heading("Before anything else")
        for title, text in cautions:
            self._hung(f"{title} {text}", 7.6, "!", "#7a1010")

    def _hung(self, text: str, size: float, lead: str = "", colour: str = INK, *, bold: bool = False) -> None:
        self._font(size, bold, colour)
        self._need(LINE * size * POINT_in)
        if lead:
            self._pdf.cell(0.18, LINE * size * POINT_in, lead)
            self._pdf.set_left_margin(MARGIN_in + 0.18)
        self._lines(text, size)
        self._pdf.set_left_margin(MARGIN_in)
        self._pdf.set_x(MARGIN_in)
        self._pdf.ln(0.25 * size * POINT_in)

    def _lines(self, text: str, size: float) -> None:
        self._pdf.multi_cell(0, LINE * size * POINT_in, text, align="L", new_x="LMARGIN", new_y="NEXT")

    def table(
        self, table: Table, widths: Sequence[float] = (), strong: int = -1, *, large: bool = False
    ) -> None:
        """Write a table; widths are shares of the page's width, ``strong`` is the bold column.

        A box to tick is large enough for gloves; a ``large`` table has bold what stands between asterisks.
        """
        from fpdf.fonts import FontFace

        if not widths:
            longest = [max(map(len, column)) for column in zip(table.columns, *table.rows, strict=True)]
            # Two letters of room, so that short cells stay whole; long ones are wrapped anyway.
            widths = [min(max(w + 2, 6), 48) for w in longest]
        size = 8.4 if large else TABLE_pt
        bold, larger = FontFace(emphasis="BOLD"), FontFace(size_pt=1.5 * size)
        styles = {BOX: larger, WORSE: FontFace(emphasis="BOLD", color=BAD)}
        self._font(size)
        with self._pdf.table(
            col_widths=tuple(widths),
            text_align=tuple("RIGHT" if mark == "r" else "LEFT" for mark in table.right.ljust(len(widths))),
            borders_layout="HORIZONTAL_LINES",
            first_row_as_headings=any(table.columns),
            headings_style=bold,
            line_height=1.2 * size * POINT_in,
            padding=(0.02, 0.05, 0.03, 0.03),
            v_align="TOP",
            markdown=large,
        ) as printed:
            for cells in (table.columns, *table.rows) if any(table.columns) else table.rows:
                row = printed.row()
                for place, cell in enumerate(cells):
                    row.cell(cell, style=styles.get(cell, bold if place == strong else None))
        self._pdf.ln(0.5 * size * POINT_in)

    def pictures(self, pictures: Sequence[tuple[str, Figure]]) -> None:
        """Set pictures, each with its finding above it; one that fits below goes before one that does not."""
        left = [(finding, figure_bytes(figure, "png")) for finding, figure in pictures]
        while left:
            fitting = [one for one in left if self._fits(*one)]
            if not fitting:
                self._pdf.add_page()
            self._set(*(fitting or left)[0])
            left.remove((fitting or left)[0])

    def _size_in(self, finding: str, png: bytes) -> tuple[float, float]:
        """Height of the picture at full width, or what a page has room for, and of what stands above it."""
        pdf = self._pdf
        self._font(CAPTION_pt, bold=True)
        told_in = pdf.multi_cell(
            0, LINE * CAPTION_pt * POINT_in, finding, align="L", dry_run=True, output="HEIGHT"
        )
        picture = pdf.preload_image(io.BytesIO(png))[2]
        height_in = min(pdf.epw * picture.height / picture.width, TALLEST_SHARE * pdf.h)
        return height_in, 0.25 * CAPTION_pt * POINT_in + cast("float", told_in)

    def _fits(self, finding: str, png: bytes) -> bool:
        height_in, caption_in = self._size_in(finding, png)
        return LEAST_SCALE * height_in <= self._pdf.page_break_trigger - self._pdf.get_y() - caption_in

    def _set(self, finding: str, png: bytes) -> None:
        height_in, _ = self._size_in(finding, png)
        self._hung(finding, CAPTION_pt, bold=True)
        room_in = self._pdf.page_break_trigger - self._pdf.get_y() - 0.01
        self._pdf.image(io.BytesIO(png), h=min(height_in, room_in))
        self._pdf.ln(0.1)

    def to_bytes(self) -> bytes:
        """Write all pages."""
        return bytes(self._pdf.output())


def _paper(title: str) -> FPDF:
    """Empty A4 pages with the title and a number at the foot of each, in the figures' letters."""
    from fpdf import FPDF
    from matplotlib import get_data_path

    class Paper(FPDF):
        def footer(self) -> None:
            """Write title and number."""
            self.set_y(-0.42)
            self.set_font("sans", "", 7.0)
            self.set_text_color(FAINT)
            self.cell(0, 0.12, f"{title}    {self.page_no()}", align="C")

    pdf = Paper(unit="in", format="A4")
    letters = Path(get_data_path()) / "fonts" / "ttf"
    pdf.add_font("sans", "", letters / "DejaVuSans.ttf")
    pdf.add_font("sans", "B", letters / "DejaVuSans-Bold.ttf")
    pdf.set_margin(MARGIN_in)
    pdf.set_auto_page_break(True, MARGIN_in)
    pdf.set_draw_color(PALE)
    pdf.set_line_width(0.007)
    pdf.c_margin = 0.0
    pdf.set_title(title)
    pdf.set_creation_date(NO_DATE)
    return pdf
