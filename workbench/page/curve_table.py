"""An open-loop curve as a table to be edited, with a proposal below it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.errors import InputError
from workbench.page.jobs import told_beside
from workbench.page.shown import plain_button, table_html
from workbench.words import units

if TYPE_CHECKING:
    from workbench.page.frame import Page

Curve = list[list[float]]
Points = Sequence[tuple[float | None, float | None]]
"""Of a curve as it stands in the fields: temperature and steps, None where a field is empty."""
MISSING = "A number is missing."
SHOWN_DIGITS, KEPT_DIGITS = 2, 5
"""Decimals of a temperature: as shown, and as kept, so that it is shown again as it was typed."""
COLUMNS = "grid-template-columns: minmax(70px, 1fr) minmax(70px, 1fr) auto"


@dataclass(frozen=True)
class Row:
    """The two fields of a point, and the temperature that they were drawn for.

    Attributes
    ----------
    where, what : Number
        Fields of temperature and steps.
    drawn : float or None
        What stood in the first of them.
    at_degC : float or None
        The temperature that this is [degC].
    """

    where: Any
    what: Any
    drawn: float | None
    at_degC: float | None

    def point(self, imperial: bool) -> tuple[float | None, float | None]:
        """The point as it stands in the fields.

        Gives temperature and steps [degC, steps].
        """
        typed, steps = self.where.value, self.what.value
        at_degC = self.at_degC
        if typed is None:
            at_degC = None
        elif typed != self.drawn:  # what nobody has touched is not rounded either
            at_degC = round(units.taken(float(typed), "degC", imperial), KEPT_DIGITS)
        return at_degC, None if steps is None else float(steps)


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
    on_change : callable, optional
        Called when what stands in the fields, or what is wrong with it, has changed.
    """

    def __init__(
        self,
        page: Page,
        key: str,
        name: str,
        fade: str | None = None,
        on_change: Callable[[], None] | None = None,
    ) -> None:
        self._page, self.key, self.name, self._fade = page, key, name, fade
        self._on_change = on_change
        self._proposal: dict[str, Any] = {}
        self._rows: list[Row] = []
        self._typed: dict[str, Any] = {}
        """What stands in the fields of a key and was refused: it outlives a change of units."""
        self._wrong: dict[str, str] = {}
        """What is wrong with it."""

    @property
    def refused(self) -> bool:
        """Whether something stands in the fields that the car does not have."""
        return bool(self._typed)

    def build(self) -> None:
        """Build it with the car's own curve."""
        from nicegui import ui

        with ui.element("section").classes("card"):
            with ui.element("div").classes("line"):
                ui.label(self.name).classes("big")
                self._take = plain_button("Take the proposal", self._take_all)
                self._take.set_visibility(False)
            self._problem = ui.label().classes("error").props('role="alert"')
            self._grid = ui.element("div").classes("curve").style(COLUMNS)
            self._beside = ui.html("", sanitize=False)
        self.fill()

    def propose(self, curves: dict[str, Any]) -> None:
        """Show a proposal below the curve."""
        self._proposal = curves
        self._take.set_visibility(True)
        self._tell_proposed()

    def proposed(self) -> dict[str, Any]:
        """The proposal.

        Gives values of table [curves] by key; empty where nothing is proposed.
        """
        if not self._proposal:
            return {}
        points = self._proposal[self.key]
        values: dict[str, Any] = {self.key: tuple((float(a), float(b)) for a, b in points)}
        if self._fade is not None:
            # Air meant to fade slowly would be gone too soon, and the other way round.
            values[self._fade] = float(self._proposal[self._fade])
        return values

    @property
    def is_taken(self) -> bool:
        """Whether there is a proposal and the car has it."""
        values, curves = self.proposed(), self._page.session.car.curves
        return bool(values) and all(getattr(curves, key) == one for key, one in values.items())

    def fill(self) -> None:
        """Show the curve as the car has it, and what was typed and refused with what is wrong."""
        from nicegui import ui

        self._grid.clear()
        self._rows = []
        with self._grid:
            for text in (units.written("degC", self._page.look.imperial), "steps"):
                ui.label(text).classes("soft")
            ui.label()
            for place, (at_degC, steps) in enumerate(self._points()):
                self._row(place, at_degC, steps)
            self._button("+ point", "add a point", self._add)
            if self._fade is not None:
                self._fade_line(self._fade)
        self._tell_proposed()
        self._problem.set_text("\n".join(self._wrong.values()))
        for key, typed in list(self._typed.items()):
            self._put(key, typed)

    def forget(self) -> None:
        """Show the curve as the car has it, whatever was typed."""
        self._typed.clear()
        self._wrong.clear()
        self.fill()

    def _row(self, place: int, at_degC: float | None, steps: float | None) -> None:
        drawn, name = self._shown(at_degC), "a temperature still to come"
        if drawn is not None:
            name = f"{drawn:g}"
        where = self._number(drawn, f"{self.name}, temperature {place + 1}")
        what = self._number(steps, f"{self.name}, steps at {name}")
        self._rows.append(Row(where, what, drawn, at_degC))
        self._button("remove", f"remove the point at {name}", partial(self._remove, place))

    def _fade_line(self, key: str) -> None:
        from nicegui import ui

        ui.element().style("grid-column: 1 / -1")
        ui.label("fades over [s]").classes("soft")
        own_s = getattr(self._page.session.car.curves, key)
        shown = ui.number(
            value=self._typed.get(key, own_s), format="%g",
            on_change=lambda e: self._put(key, e.value),
        )  # fmt: skip
        shown.props(
            'dense outlined hide-bottom-space debounce="400"'
            f' aria-label="{self.name}, fades over, seconds"'
        )

    def _number(self, value: float | None, label: str) -> Any:
        from nicegui import ui

        made = ui.number(value=value, format="%g", on_change=self._edited)
        return made.props(f'dense outlined hide-bottom-space debounce="400" aria-label="{label}"')

    def _button(self, text: str, label: str, act: Callable[[], None]) -> None:
        plain_button(text, act, f'size="12px" aria-label="{self.name}: {label}"')

    def _shown(self, at_degC: float | None) -> float | None:
        """A temperature in the units shown."""
        if at_degC is None:
            return None
        shown = units.shown(at_degC, "degC", self._page.look.imperial)
        return round(shown, SHOWN_DIGITS) + 0.0  # never -0

    def _own(self) -> tuple[tuple[float, float], ...]:
        return tuple(getattr(self._page.session.car.curves, self.key))

    def _points(self) -> Points:
        return self._typed.get(self.key, self._own())

    def _tell_proposed(self) -> None:
        """The proposed points as they are, and what the car has at their temperatures."""
        values = self.proposed()
        if not values:
            return
        own = np.asarray(self._own())
        rows = [
            [f"{self._shown(at):g}", f"{steps:g}", f"{np.interp(at, own[:, 0], own[:, 1]):.3g}"]
            for at, steps in values[self.key]
        ]
        if self._fade is not None:
            now_s = getattr(self._page.session.car.curves, self._fade)
            rows.append(["fades over [s]", f"{values[self._fade]:g}", f"{now_s:g}"])
        unit = units.written("degC", self._page.look.imperial)
        self._beside.set_content(
            table_html([f"proposed points, at {unit}", "steps", "now there"], rows, " rr")
        )

    def _edited(self) -> None:
        self._put(self.key, [row.point(self._page.look.imperial) for row in self._rows])

    def _put(self, key: str, typed: Any) -> None:
        """Give the car what stands in the fields, or keep it and say what is wrong with it."""
        points = typed if key == self.key else [(typed,)]
        told = MISSING
        if not any(one is None for point in points for one in point):
            told = self._change({key: tuple(typed) if key == self.key else float(typed)})
        self._typed.pop(key, None)
        self._wrong.pop(key, None)
        if told:
            self._typed[key], self._wrong[key] = typed, told
        self._problem.set_text("\n".join(self._wrong.values()))
        self._tell_proposed()
        self._changed()

    def _change(self, values: dict[str, Any]) -> str:
        """Give the car these values; or say what is wrong with them."""
        try:
            self._page.session.change("curves", **values)
        except InputError as error:
            return self._told(error)
        self._page.tell_state()
        return ""

    def _told(self, error: InputError) -> str:
        """What is wrong, in the units shown."""
        # A point that is refused is then missing from the list: that is no fault of its own.
        own = [one for one in error.problems if one.key != f"curves.{self.key}"]
        told = []
        for one in own or error.problems:
            text = self._page.look.words(told_beside(InputError([one])))
            few = re.search(r"a list of (\d+ to \d+) pairs", text)
            point = re.search(r"\[(\d+)\]\[1\]$", one.key)
            if few:
                text = f"A curve needs {few[1]} points."
            elif point and int(point[1]) <= len(self._rows):
                text = self._as_typed(text, self._rows[int(point[1]) - 1].where.value)
            told.append(text)
        return "\n".join(told)

    @staticmethod
    def _as_typed(text: str, typed: float | None) -> str:
        """A refusal with the value that was typed; what was worked out from it is rounded."""
        return text if typed is None else re.sub(r"\([^)]*\)", f"({typed:.10g})", text, count=1)

    def _changed(self) -> None:
        if self._on_change is not None:
            self._on_change()

    def _take_all(self) -> None:
        values = self.proposed()
        told = self._change(values) if values else ""
        if told:
            self._problem.set_text(told)
        elif values:
            self.forget()
            self._changed()

    def _remove(self, place: int) -> None:
        points = list(self._points())
        self._redraw([*points[:place], *points[place + 1 :]])

    def _add(self) -> None:
        points = list(self._points())
        at_degC, steps = points[-1]
        self._redraw([*points, (None if at_degC is None else at_degC + 10.0, steps)])

    def _redraw(self, points: Points) -> None:
        """Show other points than before, but never fewer than a curve has."""
        if len(points) < 2:
            # Of a point that is allowed, so that the refusal is for their number.
            self._problem.set_text(self._change({self.key: self._own()[:1]}))
            return
        missing = any(one is None for point in points for one in point)
        if missing or self._change({self.key: tuple(points)}):
            self._typed[self.key] = points  # drawn and told with what is wrong
        else:
            self._typed.pop(self.key, None)
            self._wrong.pop(self.key, None)
        self.fill()
        self._changed()
