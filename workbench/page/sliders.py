"""A slider with its name, its value and its unit, reachable by keyboard."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Slide:
    """What a slider sets."""

    key: str
    name: str
    unit: str
    low: float
    high: float
    step: float

    def text(self, value: float) -> str:
        """Write a value with its unit."""
        decimals = 0 if self.step >= 1 else 1
        return f"{value:.{decimals}f} {self.unit}"


@dataclass(frozen=True)
class Handle:
    """What can be done with a slider that was built."""

    move: Callable[[float], object]
    tell: Callable[[], object]
    show: Callable[[bool], object]


def slider(
    slide: Slide, value: float, on_value: Callable[[float], None], text: Callable[[float], str] | None = None
) -> Handle:
    """Build a slider."""
    from nicegui import ui

    write = text or slide.text

    def moved(new: float | None) -> None:
        if new is not None:
            told.set_text(write(new))
            on_value(new)

    with ui.element("div").classes("field") as place:
        ui.label(slide.name)
        told = ui.label(write(value)).style("font-weight: 650")
        made = ui.slider(
            min=min(slide.low, value), max=max(slide.high, value), step=slide.step, value=value,
            on_change=lambda e: moved(e.value),
        )  # fmt: skip
        made.props(f'dense aria-label="{slide.name} [{slide.unit}]" data-key="{slide.key}"')

    def tell() -> None:
        told.set_text(write(float(made.value or 0.0)))

    return Handle(made.set_value, tell, place.set_visibility)


def choice(
    name: str, options: Mapping[Any, str], value: Any, on_value: Callable[[Any], None] | None = None
) -> Any:
    """Build a row of buttons of which one is chosen."""
    from nicegui import ui

    with ui.element("div").classes("choice"):
        ui.label(name).classes("soft")
        made = ui.toggle(
            dict(options), value=value,
            on_change=None if on_value is None else lambda e: on_value(e.value),
        )  # fmt: skip
        return made.props(f'dense no-caps unelevated padding="1px 8px" role="group" aria-label="{name}"')
