"""Beside the idle: chance of hunting, its cause, the map of two settings, and one cycle told."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

import sim
from controllers import law_of
from workbench.page.beside import WORK
from workbench.page.chart_map import map_option, mark, nearest_cell
from workbench.page.cycle_panel import CyclePanel
from workbench.page.job_panel import JobPanel, Tab
from workbench.page.shown import cautions, chart, heading, redraw, status, within, words

if TYPE_CHECKING:
    from workbench.page.frame import Page

THREE_LINES, FOUR_LINES = (f"min-height: {1.4 * n:.1f}em" for n in (3, 4))
"""Room for what comes later: a button must not move from under a finger."""
BORDERS = {
    "moves": "Above the dashed line there is a place to rest.",
    "gains": "Beyond the dashed line it swings even without steps.",
}
KINDS = {"moves": "minimum move, deadband", "gains": "gain, integral"}


class WhyPanel(Tab):
    """The panel; it asks whether a drawing is the newest, draws anew and moves sliders."""

    def __init__(
        self, page: Page, is_newest: Callable[[int], bool], changed: Callable[[], None],
        set_sliders: Callable[..., None],
    ) -> None:  # fmt: skip
        super().__init__(page)
        self._is_newest, self._changed, self._set_sliders = is_newest, changed, set_sliders
        self._slow = page.runs.slow
        self._cycle = CyclePanel(self.look)
        self._kind = "moves"
        self._map: dict[str, Any] | None = None
        self._answered = False

    def build(self) -> None:
        """Build it empty."""
        from nicegui import ui

        with within("card"):
            heading("How often does it hunt?")
            self._told = status("", "Working it out.").props('aria-live="polite"').style(FOUR_LINES)
            self._cause = words("", "soft").style(THREE_LINES)
        with within("card"):
            with within("line"):
                heading("Where does it hunt?")
                ui.toggle(KINDS, value=self._kind, on_change=self._other).props(
                    'dense no-caps unelevated padding="1px 8px" aria-label="which two settings"'
                )
            self.chart = chart("map of hunting", "map", on_point_click=self._clicked)
            self._note = words("", "soft").style(FOUR_LINES)
        with within("card"):
            heading("Tell me this cycle")
            words("Of the warm idle, whatever temperature is drawn.", "soft")
            self._job = JobPanel(
                self, "cycle", "Tell me this cycle", "Explaining", "work_explain:explain_work", self._tell,
                lambda: self.asked(car=self._supposed()),
                about=lambda: (self.session.car, self.session.wish.scatter_share),
            ).build()  # fmt: skip
            self._story = words("", "told")
        cautions()
        self.look.redraw.append(self._draw)

    def _supposed(self) -> sim.Car:
        return self.session.wish.car(self.session.car)

    def _ask(self, work: str, *more: object) -> Awaitable[Any]:
        return self._slow.ask(WORK + work, self._supposed(), self.session.wish.coolant_degC, *more)

    def build_below(self) -> None:
        """Build what has the whole width: the cycle, once it is told."""
        self._cycle.build()
        self._job.show_found()

    async def refresh(self, number: int, drawn_rests: bool) -> None:
        """Find chance and cause for what is shown; an answer for an older drawing is dropped."""
        chance = await self._ask("chance", self.session.seed)
        if not self._is_newest(number):
            return
        self._told.set_text(self.look.words(chance["text"]))
        self._told.classes(replace="bad" if chance["bad"] else "good")
        self._cause.set_text("")
        if chance["hunts"]:
            cause = await self._ask("cause", self.session.seed)
            if self._is_newest(number):
                both = "The run drawn is one that rests. " if drawn_rests else ""
                told = f"{both}Likely cause: {cause}. By theory; told and proved below."
                self._cause.set_text(told)

    async def refresh_map(self, number: int) -> None:
        """Find the map for what is shown."""
        found = await self._ask("hunting_map", self._kind, self.session.seed)
        if self._is_newest(number):
            self._map, self._answered = found, True
            self._draw()

    def tell_waiting(self, text: str) -> None:
        """Say what the answer waits for."""
        self._told.set_text(text)

    def _now(self, found: dict[str, Any]) -> tuple[float, float]:
        feedback = self.session.car.feedback
        return float(getattr(feedback, found["x_key"])), float(getattr(feedback, found["y_key"]))

    def _draw(self) -> None:
        found = self._map
        if found is None:
            self._note.set_text(self._why_no_map() if self._answered else "")
            self.chart.run_chart_method("clear")
            return
        redraw(self.chart, map_option(found, self._now(found), self.look.palette))
        self._note.set_text(
            "Numbers: from how many of 100 starting places it hunts; empty: from none."
            f" {BORDERS[self._kind]} Diamond: your settings; click a cell to move there."
        )

    def _why_no_map(self) -> str:
        feedback = self.session.car.feedback
        if not feedback.acts:
            return "No map: feedback is off."
        if self._kind == "gains" and not law_of(feedback).has_gains:
            return "No map: this law has no gain and no integral."
        return "No map: the engine swings by itself, or no position gives the target."

    def mark_now(self) -> None:
        """Move the mark to the present settings while the map itself waits."""
        found = self._map
        if found is not None:
            point = mark(self._now(found), self.look.palette)
            self.chart.run_chart_method("setOption", {"series": [{}, {}, {}, point]})

    def _other(self, event: Any) -> None:
        self._kind = event.value
        self._changed()

    def _clicked(self, event: Any) -> None:
        if self._map is None or not isinstance(event.value, list):
            return
        x, y = nearest_cell(self._map, float(event.value[0]), float(event.value[1]))
        self._set_sliders(**{self._map["x_key"]: x, self._map["y_key"]: round(y, 1)})

    def _tell(self, result: Any) -> None:
        self._story.set_text(self.look.words("\n".join(result["lines"])))
        self._cycle.show(result["cycle"])
