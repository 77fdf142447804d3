"""The frame of every HTML file we write: one file, no script, nothing loaded from outside."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from html import escape

from workbench.output.drawing import Figure, figure_bytes
from workbench.words.tables import BOX, WORSE, Table

LARGE_pt = 14.0
BOLD, BOLDER = re.compile(r"\*\*(.*?)\*\*"), r"<b>\1</b>"

CSS = """
:root { color-scheme: light; }
body { font: 10.5pt/1.4 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; color: #1c1c1c;
  background: #fff; max-width: 62rem; margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 1.5em; margin: 0 0 .3em; } h2 { font-size: 1.15em; margin: 1.1em 0 .3em;
  border-bottom: 1px solid #b8b8b8; } h3 { font-size: 1em; margin: .9em 0 .2em; }
table { border-collapse: collapse; width: 100%; margin: .3em 0 .6em; }
th, td { text-align: left; vertical-align: top; padding: .16em .6em .16em 0;
  border-bottom: 1px solid #dcdcdc; } th { font-weight: 600; }
td.n, th.n { text-align: right; white-space: nowrap; } td.e { font-weight: 700; }
td.box { font-size: 1.6em; line-height: .8; padding: 0; text-align: center; }
ul, ol { margin: .2em 0 .5em; padding-left: 1.4em; } li { margin: .1em 0; }
.cautions { border: 2px solid #9a1c1c; padding: .4em .9em; margin: .5em 0 .8em; }
.cautions h2 { border: 0; margin: 0; color: #9a1c1c; }
figure { margin: .6em 0 1.2em; } figure img { max-width: 100%; height: auto; display: block; }
figcaption { font-weight: 600; margin-bottom: .3em; }
.zoom { overflow: hidden; } .zoom img { transform-origin: 0 0; }
.small { color: #555; font-size: .9em; } .bad { color: #9a1c1c; font-weight: 700; }
.wide { overflow-x: auto; }
@page { size: A4; margin: 13mm 13mm 12mm; }
@media print {
  body { font-size: 8.6pt; line-height: 1.28; max-width: none; margin: 0; padding: 0; }
  h2 { margin: .4em 0 .15em; break-after: avoid; } h3 { break-after: avoid; } p { margin: .3em 0; }
  table { margin: .1em 0 .2em; } th, td { padding-top: .1em; padding-bottom: .1em; }
  tr, li, figure, .cautions { break-inside: avoid; }
  figure img { max-height: 185mm; width: auto; max-width: 100%; }
  .break { break-before: page; }
}
"""


ZOOM = """
for (const image of document.querySelectorAll('figure img')) {
  const frame = document.createElement('div');
  let size = 1, x = 0, y = 0, from = null;
  const draw = () => { image.style.transform = `translate(${x}px, ${y}px) scale(${size})`; };
  const to = (by, e) => {
    const next = Math.min(8, Math.max(1, size * by)), box = frame.getBoundingClientRect();
    const [left, top] = e.clientX ? [e.clientX - box.left, e.clientY - box.top] : [0, 0];
    [x, y] = next === 1 ? [0, 0] : [left - (left - x) * next / size, top - (top - y) * next / size];
    size = next;
    draw();
  };
  frame.className = 'zoom';
  frame.tabIndex = 0;
  frame.title = 'Double click, or plus and minus: larger and smaller; drag to move';
  image.replaceWith(frame);
  frame.append(image);
  image.draggable = false;
  frame.ondblclick = e => to(size > 1 ? 1 / size : 2.5, e);
  frame.onkeydown = e => { if ('+-'.includes(e.key)) to(e.key === '+' ? 1.4 : 1 / 1.4, e); };
  frame.onpointerdown = e => { from = [e.clientX - x, e.clientY - y]; };
  frame.onpointermove = e => {
    if (from && size > 1) { [x, y] = [e.clientX - from[0], e.clientY - from[1]]; draw(); }
  };
  frame.onpointerup = frame.onpointerleave = () => { from = null; };
}
"""
"""Makes each figure larger and smaller, within the one file."""


class HtmlPages:
    """One file that grows from the top; the same calls as of ``PdfPages``, which also takes sizes."""

    blank = "____________ "

    def __init__(self, title: str) -> None:
        self._title = title
        self._parts: list[str] = []

    def heading(self, text: str, size: float = 11.0, *, fresh: bool = False, **_paper: float) -> None:
        """Write a heading, a large one as that of the whole."""
        tag = "h1" if size >= LARGE_pt else "h2"
        kind = ' class="break"' if fresh else ""
        self._parts.append(f"<{tag}{kind}>{escape(text)}</{tag}>")

    def paragraph(self, text: str, _size: float = 7.6, *, small: bool = False) -> None:
        """Write text."""
        kind = ' class="small"' if small else ""
        self._parts.append(f"<p{kind}>{escape(text)}</p>")

    def points(self, items: Sequence[str], _size: float = 7.6) -> None:
        """Write a list."""
        self._parts.append(f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>")

    def table(
        self, table: Table, _widths: Sequence[float] = (), strong: int = -1, *, large: bool = False
    ) -> None:
        """Write a table; ``strong`` is the bold column, in a ``large`` one what stands between asterisks."""
        kinds = [
            " ".join(k for k in ("n" * (table.right[i : i + 1] == "r"), "e" * (i == strong)) if k)
            for i in range(len(table.columns))
        ]
        marks = [f' class="{kind}"' if kind else "" for kind in kinds]

        def cells(tag: str, texts: Sequence[str]) -> str:
            made = (f"<{tag}{m}>{escape(one)}</{tag}>" for m, one in zip(marks, texts, strict=True))
            row = "".join(made).replace(f"<td>{BOX}<", f'<td class="box">{BOX}<')
            row = row.replace(f"<td>{WORSE}<", f'<td class="bad">{WORSE}<')
            return f"<tr>{BOLD.sub(BOLDER, row) if large else row}</tr>"

        lines = [f"<thead>{cells('th', table.columns)}</thead>"] if any(table.columns) else []
        lines += [cells("td", row) for row in table.rows]
        self._parts.append('<div class="wide"><table>' + "\n".join(lines) + "</table></div>")

    def pictures(self, pictures: Sequence[tuple[str, Figure]]) -> None:
        """Write figures, each with its finding above it."""
        for finding, figure in pictures:
            self._picture(finding, figure)

    def _picture(self, finding: str, figure: Figure) -> None:
        svg, told = figure_bytes(figure, "svg"), escape(finding)
        data = base64.b64encode(svg).decode("ascii")
        self._parts.append(
            f"<figure><figcaption>{told}</figcaption>"
            f'<img alt="{told}" src="data:image/svg+xml;base64,{data}"></figure>'
        )

    def cautions(self, cautions: Sequence[tuple[str, str]]) -> None:
        """Write the cautions, framed."""
        items = "".join(f"<li><b>{escape(title)}</b> {escape(text)}</li>" for title, text in cautions)
        self._parts.append(
            f'<section class="cautions"><h2>Before anything else</h2><ul>{items}</ul></section>'
        )

    def to_bytes(self) -> bytes:
        """Frame all of it as a whole file."""
        body = "\n".join(self._parts)
        if "<figure>" in body:
            body += f"\n<script>{ZOOM}</script>"
        return (
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            f"<title>{escape(self._title)}</title>\n<style>{CSS}</style></head>\n<body>\n{body}\n"
            "</body></html>\n"
        ).encode()
