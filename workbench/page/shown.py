"""Pieces that several tabs show: cautions, tables, lists and pictures."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from html import escape
from typing import Any

from workbench.words.cautions import CAUTIONS


def cautions() -> None:
    """Show what to see to before an engine is run: the first line always, the rest on demand."""
    from nicegui import ui

    first, *_ = CAUTIONS
    items = "".join(f"<li><b>{escape(head)}</b> {escape(text)}</li>" for head, text in CAUTIONS)
    with ui.element("section").classes("card cautions").props('aria-label="cautions"'):
        ui.html(
            f"<details><summary><b>Before anything of this is tried on the car:</b>"
            f" {escape(first[0])} {escape(first[1])} The numbers are a model's. <u>All"
            f" cautions</u></summary><ul>{items}</ul></details>",
            sanitize=False,
        )


def plain_button(text: str, act: Callable[..., Any], props: str = "") -> Any:
    """Show a button that is not the main one of its place."""
    from nicegui import ui

    made = ui.button(text, on_click=act, color=None).classes("plain")
    return made.props(f'outline dense padding="1px 9px" {props}')


def heading(text: str) -> None:
    """Show a heading."""
    from nicegui import ui

    ui.html(f"<h2>{escape(text)}</h2>", sanitize=False)


def table_html(columns: Sequence[str], rows: Sequence[Sequence[str]], right: str = "") -> str:
    """Write a table."""
    marks = [' class="n"' if right[i : i + 1] == "r" else "" for i in range(len(columns))]
    head = "".join(f'<th scope="col"{m}>{escape(c)}</th>' for m, c in zip(marks, columns, strict=True))
    body = "".join(
        "<tr>" + "".join(f"<td{m}>{escape(c)}</td>" for m, c in zip(marks, row, strict=True))
        + "</tr>"
        for row in rows
    )  # fmt: skip
    return f'<table class="plain"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def list_html(lines: Sequence[str]) -> str:
    """Write a list."""
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"


def picture_html(svg: bytes, told: str, least_px: int = 0) -> str:
    """Write a picture as an image of its own, so that its names cannot clash with another's."""
    data = base64.b64encode(svg).decode("ascii")
    style = f' style="min-width: {least_px}px"' if least_px else ""
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="picture"><img class="picture"'
        f'{style} alt="{escape(told)}" src="data:image/svg+xml;base64,{data}"></div>'
    )
