"""An open-loop curve as a table to be edited, with a proposal beside it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.errors import InputError
from workbench import units
from workbench.page.jobs import told_beside
from workbench.page.shown import plain_button

if TYPE_CHECKING:
    from workbench.page.frame import Page

Curve = list[list[float]]


class CurveTable:
    """One curve.

    Parameters
    ----------
    page : Page
        Where it is.
    key : str
        Key of table [curves].
    name : str
        In words.
    fade : str, optional
        Key of the time over which what the curve gives fades.
    """

    def __init__(self, page: Page, key: str, name: str, fade: str | None = None) -> None:
        self._page, self.key, self._name, self._fade = page, key, name, fade
        self._proposed: Curve | None = None
        self._fade_proposed_s: float | None = None
        self._rows: list[tuple[Any, Any]] = []

    def build(self) -> None:
        """Build it with the car's own curve."""
        from nicegui import ui

        with ui.element("section").classes("card"):
            with ui.element("div").classes("line"):
                ui.label(self._name).classes("big")
                self._take = plain_button("Take the proposal", self._take_all)
                self._take.set_visibility(False)
            self._problem = ui.label().classes("error").props('role="alert"')
            self._grid = ui.element("div").classes("curve")
        self.fill()

    def propose(self, curves: dict[str, Any]) -> None:
        """Show a proposal beside the curve.

        Parameters
        ----------
        curves : dict
            Proposed values of table [curves] by key.
        """
        self._proposed = curves[self.key]
        if self._fade is not None:
            self._fade_proposed_s = float(curves[self._fade])
        self._take.set_visibility(True)
        self.fill()

    def fill(self) -> None:
        """Show the curve as the car has it."""
        from nicegui import ui

        imperial = self._page.look.imperial
        self._grid.clear()
        self._rows = []
        with self._grid:
            for text in (units.written("degC", imperial), "steps", "proposed"):
                ui.label(text).classes("soft")
            ui.label()
            for place, (at_degC, steps) in enumerate(self._own()):
                at = round(float(units.shown(at_degC, "degC", imperial)), 1)
                where = self._number(at, f"{self._name}, temperature {place + 1}")
                what = self._number(steps, f"{self._name}, steps at {at:g}")
                self._rows.append((where, what))
                ui.label(self._beside(at_degC))
                self._button("remove", f"remove the point at {at:g}", partial(self._remove, place))
            self._button("+ point", "add a point", self._add)
        if self._fade is not None:
            self._fade_line(self._fade)

    def _fade_line(self, key: str) -> None:
        from nicegui import ui

        proposed_s = self._fade_proposed_s
        with self._grid:
            ui.element().style("grid-column: 1 / -1")
            ui.label("fades over [s]").classes("soft")
            own_s = getattr(self._page.session.car.curves, key)
            shown = ui.number(value=own_s, format="%g", on_change=self._fade_edited)
            shown.props(
                'dense outlined hide-bottom-space debounce="400"'
                f' aria-label="{self._name}, fades over, seconds"'
            )
            ui.label("-" if proposed_s is None else f"{proposed_s:g}")
            ui.label()

    def _fade_edited(self, event: Any) -> None:
        if event.value is None:
            self._problem.set_text("A number is missing.")
        elif self._fade is not None:
            self._change({self._fade: float(event.value)})

    def _number(self, value: float, label: str) -> Any:
        from nicegui import ui

        made = ui.number(value=value, format="%g", on_change=self._edited)
        return made.props(f'dense outlined hide-bottom-space debounce="400" aria-label="{label}"')

    def _button(self, text: str, label: str, act: Callable[[], None]) -> None:
        plain_button(text, act, f'size="12px" aria-label="{self._name}: {label}"')

    def _own(self) -> tuple[tuple[float, float], ...]:
        return tuple(getattr(self._page.session.car.curves, self.key))

    def _beside(self, at_degC: float) -> str:
        if self._proposed is None:
            return "-"
        table = np.asarray(self._proposed)
        return f"{np.interp(at_degC, table[:, 0], table[:, 1]):.0f}"

    def _edited(self) -> None:
        imperial = self._page.look.imperial
        if any(one.value is None for row in self._rows for one in row):
            self._problem.set_text("A number is missing.")
            return
        self._put(
            tuple(
                (round(units.taken(float(at.value), "degC", imperial), 2), float(steps.value))
                for at, steps in self._rows
            ),
            again=False,
        )

    def _put(self, curve: tuple[tuple[float, float], ...], again: bool = True) -> None:
        """Give the car this curve, if it is allowed."""
        if self._change({self.key: curve}) and again:
            self.fill()

    def _change(self, values: dict[str, Any]) -> bool:
        """Give the car these values, if they are allowed; else say what is wrong."""
        try:
            self._page.session.change("curves", **values)
        except InputError as error:
            self._problem.set_text(self._page.look.words(told_beside(error)))
            return False
        self._problem.set_text("")
        self._page.tell_state()
        return True

    def _take_all(self) -> None:
        if self._proposed is None:
            return
        values: dict[str, Any] = {self.key: tuple((float(a), float(b)) for a, b in self._proposed)}
        if self._fade is not None:
            # Air meant to fade slowly would be gone too soon, and the other way round.
            values[self._fade] = self._fade_proposed_s
        if self._change(values):
            self.fill()

    def _remove(self, place: int) -> None:
        own = self._own()
        self._put(own[:place] + own[place + 1 :])

    def _add(self) -> None:
        own = self._own()
        at, steps = own[-1]
        self._put((*own, (at + 10.0, steps)))
