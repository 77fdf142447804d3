"""Pieces that several tabs show: cards, words, charts, sliders, tables, lists, pictures and cautions."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from workbench.words.cautions import CAUTIONS
from workbench.words.tables import BETTER, WORSE, Table

TO_THE_LEFT = "align-self: flex-start"
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")
Typed = float | str | None  # What stands in a field: a number, what is none, or nothing.


def ui() -> Any:
    """The page's library: asked for by this, it is loaded by those alone who build a page."""
    from nicegui import ui as library

    return library


def card(name: str = "", css: str = "card") -> Any:
    """A part of the page, to be filled in a ``with`` block; named for those who hear it."""
    made = ui().element("section").classes(css)
    return made.props(f'aria-label="{name}"') if name else made


def within(css: str) -> Any:
    """A box of a class of the style sheet, to be filled in a ``with`` block."""
    return ui().element("div").classes(css)


def words(text: str = "", css: str = "") -> Any:
    """Words that only stand there."""
    return ui().label(text).classes(css)


def status(css: str = "", text: str = "") -> Any:
    """Words that change, and are then read out."""
    return words(text, css).props('role="status"')


def alert() -> Any:
    """Where a problem is told, and read out at once."""
    return words("", "error").props('role="alert"')


def html(text: str = "") -> Any:
    """Content written by us."""
    return ui().html(text, sanitize=False)


def heading(text: str, note: str = "") -> None:
    """Show a heading, and where there is one a note below it."""
    html(f"<h2>{escape(text)}</h2>")
    if note:
        words(note, "soft")


def chart(name: str, css: str, option: dict[str, Any] | None = None, **acts: Any) -> Any:
    """A chart of ECharts, as wide as its place."""
    made = ui().echart(option or {}, **acts).classes(css).style("width: 100%")
    return made.props(f'role="img" aria-label="{name}"')


def redraw(made: Any, option: dict[str, Any]) -> None:
    """Draw a chart anew from its options."""
    made.options.clear()
    made.options.update(option)
    made.update()


def cautions() -> None:
    """Show what to see to before an engine is run: the first line always, the rest on demand."""
    first, *_ = CAUTIONS
    items = "".join(f"<li><b>{escape(head)}</b> {escape(text)}</li>" for head, text in CAUTIONS)
    with card("cautions", "card cautions"):
        html(
            f"<details><summary><b>Before anything of this is tried on the car:</b>"
            f" {escape(first[0])} {escape(first[1])} The numbers are a model's. <u>All"
            f" cautions</u></summary><ul>{items}</ul></details>"
        )


def plain_button(text: str, act: Callable[..., Any], props: str = "") -> Any:
    """Show a button that is not the main one of its place."""
    made = ui().button(text, on_click=act, color=None).classes("plain")
    return made.props(f'outline dense padding="1px 9px" {props}')


def hidden_button(text: str, act: Callable[..., Any]) -> Any:
    """Such a button that is not to be seen before there is something for it to do."""
    made = plain_button(text, act).style(TO_THE_LEFT)
    made.set_visibility(False)
    return made


MARKS = {WORSE: ' class="bad"', BETTER: ' class="good"'}


def table_html(table: Table) -> str:
    """Write a table."""
    marks = [' class="n"' if table.right[i : i + 1] == "r" else "" for i in range(len(table.columns))]

    def cells(tag: str, kind: str, texts: Sequence[str]) -> str:
        made = (
            f"<{tag}{m or MARKS.get(one, '')}>{escape(one)}</{kind}>"
            for m, one in zip(marks, texts, strict=True)
        )
        return f"<tr>{''.join(made)}</tr>"

    head = cells('th scope="col"', "th", table.columns)
    body = "".join(cells("td", "td", row) for row in table.rows)
    return f'<table class="plain"><thead>{head}</thead><tbody>{body}</tbody></table>'


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


def number_typed(text: str | None) -> Typed:
    """Read a field."""
    plain = (text or "").strip().replace("\N{MINUS SIGN}", "-")
    if not plain:
        return None
    return float(plain.replace(",", ".")) if _NUMBER.fullmatch(plain) else plain


@dataclass(frozen=True)
class Slide:
    """What a slider sets: key, name, unit, range, wider where the value lies outside, and what it means."""

    key: str
    name: str
    unit: str
    low: float
    high: float
    step: float
    help: str = ""

    def text(self, value: float) -> str:
        """Write a value with its unit, and with the decimals of the step."""
        decimals = 0 if self.step >= 1 else 1
        return f"{value:.{decimals}f} {self.unit}"


class Slider:
    """A slider with its name and its value, which can be typed too; ``write`` tells the value."""

    def __init__(
        self, one: Slide, value: float, on_value: Callable[[float], None] | None = None,
        write: Callable[[float], str] | None = None,
    ) -> None:  # fmt: skip
        self._write, self._on_value = write or one.text, on_value
        with within("field") as place:
            words(one.name).props(f'title="{one.help}"')
            self._told = ui().button(self._write(value), on_click=self._ask, color=None)
            self._told.props('flat dense padding="0 4px" title="type a number"').style("font-weight: 650")
            self._typed = (
                ui().input(suffix=one.unit).props(f'dense aria-label="{one.name} [{one.unit}], typed"')
            )
            self._typed.on("keydown.enter", self._take).on("blur", self._take).set_visibility(False)
            low, high = min(one.low, value), max(one.high, value)
            self._made = ui().slider(min=low, max=high, step=one.step, value=value, on_change=self._moved)
            self._made.props(f'dense aria-label="{one.name} [{one.unit}]" data-key="{one.key}"')
        self.move, self.show = self._made.set_value, place.set_visibility

    def _ask(self, on: bool = True) -> None:
        """Have a number typed in place of the value, or the value there again."""
        self._typed.set_visibility(on)
        self._told.set_visibility(not on)
        if on:
            self._typed.set_value(f"{self.value:g}")
            self._typed.run_method("focus")

    def _take(self) -> None:
        typed = number_typed(self._typed.value)
        if self._typed.visible and isinstance(typed, float):
            ends = {"min": min(self._made.props["min"], typed), "max": max(self._made.props["max"], typed)}
            self._made.props(" ".join(f"{key}={end:g}" for key, end in ends.items()))
            self.move(typed)
        self._ask(False)

    @property
    def value(self) -> float:
        """Where it stands, in the unit of its slide [any]."""
        return float(self._made.value or 0.0)

    def tell(self) -> None:
        """Tell its value anew, as in other units."""
        self._told.set_text(self._write(self.value))

    def _moved(self, event: Any) -> None:
        if event.value is not None:
            self.tell()
            if self._on_value is not None:
                self._on_value(event.value)


def choice(
    name: str, options: Mapping[Any, str], value: Any, on_value: Callable[[Any], None] | None = None
) -> Any:
    """Build a row of buttons of which one is chosen, its ``value``."""
    with within("choice"):
        words(name, "soft")
        act = None if on_value is None else lambda e: on_value(e.value)
        made = ui().toggle(dict(options), value=value, on_change=act)
        return made.props(f'dense no-caps unelevated padding="1px 8px" role="group" aria-label="{name}"')
