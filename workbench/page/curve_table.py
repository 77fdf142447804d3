"""An open-loop curve as a table to be edited, with a proposal below it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

import sim
from workbench.page import shown
from workbench.page.curve_chart import CurveChart
from workbench.page.frame import Page
from workbench.page.jobs import told_beside
from workbench.words import units
from workbench.words.tables import Table

Points = Sequence[tuple[shown.Typed, shown.Typed]]
"""Of a curve as it stands in the fields: temperature [degC] and steps."""
SHOWN_DIGITS, KEPT_DIGITS = 2, 5
"""Decimals of a temperature: as shown, and as kept, so that it is shown again as it was typed."""


@dataclass(frozen=True)
class Row:
    """The two fields of a point, and the temperature that they were drawn for."""

    where: Any
    what: Any
    drawn: shown.Typed
    at_degC: shown.Typed

    def point(self, imperial: bool) -> tuple[shown.Typed, shown.Typed]:
        """The point as it stands in the fields."""
        typed, at_degC = shown.number_typed(self.where.value), self.at_degC
        if typed != self.drawn:  # what nobody has touched is not rounded either
            at_degC = typed
            if isinstance(typed, float):
                at_degC = round(units.taken(typed, "degC", imperial), KEPT_DIGITS)
        return at_degC, shown.number_typed(self.what.value)


class CurveTable:
    """One curve."""

    def __init__(
        self, page: Page, on_change: Callable[[], None], key: str, name: str, fade: str | None
    ) -> None:
        self._page, self.key, self.name, self._fade = page, key, name, fade
        self._changed = on_change
        self.proposed: dict[str, Any] = {}
        self.refused: dict[str, tuple[Any, str]] = {}
        """What stands in the fields of a key, and is wrong with it: it outlives a change of units."""
        self._rows: list[Row] = []
        with shown.card():
            with shown.within("line"):
                shown.words(self.name, "big")
                self._take = shown.plain_button("Take the proposal", self._take_all)
                self._take.set_visibility(False)
            self._chart = CurveChart(self.name, page.look, self._moved)
            self._problem = shown.alert()
            self._grid = shown.within("curve")
            self._beside = shown.html()
        self.fill()

    def propose(self, curves: dict[str, Any]) -> None:
        """Show a proposal below the curve."""
        self.proposed = {self.key: tuple((float(a), float(b)) for a, b in curves[self.key])}
        if self._fade is not None:
            # Air meant to fade slowly would be gone too soon, and the other way round.
            self.proposed[self._fade] = float(curves[self._fade])
        self._take.set_visibility(True)
        self._tell_all()

    @property
    def is_taken(self) -> bool:
        """Whether there is a proposal and the car has it."""
        curves = self._page.session.car.curves
        taken = [getattr(curves, key) == one for key, one in self.proposed.items()]
        return bool(taken) and all(taken)

    def fill(self) -> None:
        """Show the curve as the car has it, and what was typed and refused with what is wrong."""
        self._grid.clear()
        self._rows = []
        with self._grid:
            for text in (units.written("degC", self._page.look.imperial), "steps"):
                shown.words(text, "soft")
            shown.words()
            for place, (at_degC, steps) in enumerate(self._points()):
                self._row(place, at_degC, steps)
            self._button("+ point", "add a point", self._add)
            if self._fade is not None:
                self._fade_line(self._fade)
        self._tell_all()
        for key, (typed, _) in list(self.refused.items()):
            self._put(key, typed)

    def forget(self) -> None:
        """Show the curve as the car has it, whatever was typed."""
        self.refused.clear()
        self.fill()

    def _row(self, place: int, at_degC: shown.Typed, steps: shown.Typed) -> None:
        drawn = self._shown(at_degC)
        name = "a temperature still to come" if drawn is None else number_shown(drawn)
        where = self._field(drawn, f"{self.name}, temperature {place + 1}", self._edited)
        what = self._field(steps, f"{self.name}, steps at {name}", self._edited)
        self._rows.append(Row(where, what, drawn, at_degC))
        self._button("remove", f"remove the point at {name}", partial(self._remove, place))

    def _fade_line(self, key: str) -> None:
        shown.ui().element().style("grid-column: 1 / -1")
        shown.words("decays over [s]", "soft")
        fade_s, _ = self.refused.get(key) or (getattr(self._page.session.car.curves, key), "")
        told = f"{self.name}, decays over, seconds"
        self._field(fade_s, told, lambda e: self._put(key, shown.number_typed(e.value)))

    @staticmethod
    def _field(value: shown.Typed, label: str, act: Callable[[Any], None]) -> Any:
        # Not a field of numbers: a browser's own drops a comma and an x, and gives another number.
        made = shown.ui().input(value=number_shown(value), on_change=act)
        return made.props(
            f'dense outlined hide-bottom-space debounce="400" inputmode="decimal" aria-label="{label}"'
        )

    def _button(self, text: str, label: str, act: Callable[[], None]) -> None:
        shown.plain_button(text, act, f'size="12px" aria-label="{self.name}: {label}"')

    def _shown(self, at_degC: shown.Typed) -> shown.Typed:
        if not isinstance(at_degC, float | int):
            return at_degC
        value = units.shown(at_degC, "degC", self._page.look.imperial)
        return round(value, SHOWN_DIGITS) + 0.0  # never -0

    def _own(self) -> tuple[tuple[float, float], ...]:
        return tuple(getattr(self._page.session.car.curves, self.key))

    def _points(self) -> Points:
        return self.refused[self.key][0] if self.key in self.refused else self._own()

    def _tell_proposed(self) -> None:
        """The proposed points as they are, and what the car has at their temperatures."""
        values = self.proposed
        if not values:
            return
        own = np.asarray(self._own())
        rows = [
            [number_shown(self._shown(at)), f"{steps:g}", f"{there:.3g}"]
            for at, steps in values[self.key]
            for there in [np.interp(at, own[:, 0], own[:, 1])]
        ]
        if self._fade is not None:
            now_s = getattr(self._page.session.car.curves, self._fade)
            rows.append(["decays over [s]", f"{values[self._fade]:g}", f"{now_s:g}"])
        unit = units.written("degC", self._page.look.imperial)
        self._beside.set_content(
            shown.table_html(Table((f"proposed points, at {unit}", "steps", "now there"), rows, " rr"))
        )

    def _moved(self, place: int, steps: float) -> None:
        """Take over where a point was left in the picture; its field tells it, and is judged as if typed."""
        self._rows[place].what.set_value(number_shown(steps))

    def _edited(self, _event: object) -> None:
        self._put(self.key, [row.point(self._page.look.imperial) for row in self._rows])

    def _put(self, key: str, typed: Any) -> None:
        """Give the car what stands in the fields, or keep it and say what is wrong with it."""
        points = typed if key == self.key else [(typed,)]
        told = _unfit(points)
        if not told:
            told = self._change({key: tuple(typed) if key == self.key else float(typed)})
        self.refused.pop(key, None)
        if told:
            self.refused[key] = typed, told
        self._tell_all()
        self._changed()

    def _tell_all(self) -> None:
        self._problem.set_text("\n".join(told for _, told in self.refused.values()))
        self._tell_proposed()
        if self.key not in self.refused:
            self._chart.draw(self._own(), self.proposed.get(self.key))

    def _change(self, values: dict[str, Any]) -> str:
        try:
            self._page.session.change("curves", **values)
        except sim.InputError as error:
            return self._told(error)
        self._page.tell_state()
        return ""

    def _told(self, error: sim.InputError) -> str:
        # A point that is refused is then missing from the list: that is no fault of its own.
        own = [one for one in error.problems if one.key != f"curves.{self.key}"]
        told = []
        for one in own or error.problems:
            text = self._page.look.words(told_beside(sim.InputError([one])))
            few = re.search(r"a list of (\d+ to \d+) pairs", text)
            point = re.search(r"\[(\d+)\]\[1\]$", one.key)
            if few:
                text = f"A curve needs {few[1]} points."
            elif point and int(point[1]) <= len(self._rows):
                typed = shown.number_typed(self._rows[int(point[1]) - 1].where.value)
                if isinstance(typed, float):  # what was worked out from it is rounded
                    text = re.sub(r"\([^)]*\)", f"({number_shown(typed)})", text, count=1)
            told.append(text)
        return "\n".join(told)

    def _take_all(self) -> None:
        told = self._change(self.proposed)
        if told:
            self._problem.set_text(told)
        else:
            self.forget()
            self._changed()

    def _remove(self, place: int) -> None:
        points = list(self._points())
        self._redraw([*points[:place], *points[place + 1 :]])

    def _add(self) -> None:
        points = list(self._points())
        at_degC, steps = points[-1]
        next_degC = at_degC + 10.0 if isinstance(at_degC, float | int) else None
        self._redraw([*points, (next_degC, steps)])

    def _redraw(self, points: Points) -> None:
        """Show other points than before, but never fewer than a curve has."""
        if len(points) < 2:
            # Of a point that is allowed, so that the refusal is for their number.
            self._problem.set_text(self._change({self.key: self._own()[:1]}))
            return
        if _unfit(points) or self._change({self.key: tuple(points)}):
            self.refused[self.key] = points, ""  # drawn and told with what is wrong
        else:
            self.refused.pop(self.key, None)
        self.fill()
        self._changed()


def _unfit(points: Sequence[Sequence[shown.Typed]]) -> str:
    """What keeps fields from being numbers at all; empty where nothing does."""
    for place, point in enumerate(points, start=1):
        for one in point:
            if isinstance(one, str):
                before = f"point {place}: " if len(point) > 1 else ""
                allowed = "allowed: digits, with a point or a comma before decimals"
                return f"{before}no number ('{one[:20]}'), {allowed}"
    return "A number is missing." if any(one is None for point in points for one in point) else ""


def number_shown(value: shown.Typed) -> str:
    """Write what stands in a field."""
    return "" if value is None else value if isinstance(value, str) else f"{value:.10g}"
