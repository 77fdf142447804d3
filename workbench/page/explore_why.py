"""Beside the idle: chance of hunting, its cause, the map of two settings, and one cycle told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

from controllers import law_of
from workbench.page.beside import WORK
from workbench.page.chart_map import map_option, mark, nearest_cell
from workbench.page.cycle_panel import CyclePanel
from workbench.page.job_panel import JobPanel
from workbench.page.shown import cautions

if TYPE_CHECKING:
    from workbench.page.frame import Page
    from workbench.page.look import Look
    from workbench.page.session import Session

TWO_LINES, THREE_LINES, FOUR_LINES = (f"min-height: {1.4 * n:.1f}em" for n in (2, 3, 4))
"""Room for what comes later: a button must not move from under a finger."""
BORDERS = {
    "moves": "Above the dashed line there is a place to rest.",
    "gains": "Beyond the dashed line it swings even without steps.",
}
KINDS = {"moves": "minimum move, deadband", "gains": "gain, integral"}


class Drawn(Protocol):
    """What the panel needs of the tab beside it, which draws the idle."""

    page: Page
    session: Session
    look: Look
    drawn_rests: bool

    def is_newest(self, number: int) -> bool:
        """Whether nothing has been changed since."""
        ...

    def changed(self) -> None:
        """Draw anew."""
        ...

    def set_sliders(self, **values: float) -> None:
        """Move sliders."""
        ...


class WhyPanel:
    """The panel."""

    def __init__(self, explore: Drawn) -> None:
        self.explore = explore
        self._cycle = CyclePanel(explore.look)
        self._kind = "moves"
        self._map: dict[str, Any] | None = None
        self._answered = False

    def build(self) -> None:
        """Build it empty."""
        from nicegui import ui

        with ui.element("div").classes("card"):
            ui.html("<h2>How often does it hunt?</h2>", sanitize=False)
            self._told = ui.label("Working it out.").props('role="status" aria-live="polite"')
            self._told.style(TWO_LINES)
            self._cause = ui.label().classes("soft").style(THREE_LINES)
        with ui.element("div").classes("card"):
            with ui.element("div").classes("line"):
                ui.html("<h2>Where does it hunt?</h2>", sanitize=False)
                ui.toggle(KINDS, value=self._kind, on_change=self._other).props(
                    'dense no-caps unelevated padding="1px 8px" aria-label="which two settings"'
                )
            self.chart = ui.echart({}, on_point_click=self._clicked).classes("map")
            self.chart.style("width: 100%").props('role="img" aria-label="map of hunting"')
            self._note = ui.label().classes("soft").style(FOUR_LINES)
        with ui.element("div").classes("card"):
            ui.html("<h2>Tell me this cycle</h2>", sanitize=False)
            ui.label("Of the warm idle, whatever temperature is drawn.").classes("soft")
            self._job = JobPanel(
                self.explore.page,
                "cycle",
                "Tell me this cycle",
                self._start,
                self._tell,
                grace_s=1.5,
                about=lambda: (self.explore.session.car, self.explore.session.wish.scatter_share),
            )
            self._job.build()
            self._story = ui.label().classes("told")
        cautions()
        self.explore.look.redraw.append(self._draw)

    def build_below(self) -> None:
        """Build what has the whole width: the cycle, once it is told."""
        self._cycle.build()
        self._job.show_found()

    async def refresh(self, number: int) -> None:
        """Find chance and cause for what is shown."""
        session = self.explore.session
        asked = (session.wish.car(session.car), session.wish.coolant_degC)
        slow = self.explore.page.runs.slow
        chance = await slow.ask(WORK + "chance", *asked)
        if not self.explore.is_newest(number):
            return
        self._told.set_text(self.explore.look.words(chance["text"]))
        self._told.classes(replace="bad" if chance["bad"] else "good")
        self._cause.set_text("")
        if chance["hunts"]:
            cause = await slow.ask(WORK + "cause", *asked, session.seed)
            if self.explore.is_newest(number):
                both = "The run drawn is one that rests. " if self.explore.drawn_rests else ""
                told = f"{both}Likely cause: {cause}. By theory; told and proved below."
                self._cause.set_text(told)

    async def refresh_map(self, number: int) -> None:
        """Find the map for what is shown."""
        session = self.explore.session
        asked = (session.wish.car(session.car), session.wish.coolant_degC, self._kind)
        found = await self.explore.page.runs.slow.ask(WORK + "hunting_map", *asked, session.seed)
        if self.explore.is_newest(number):
            self._map, self._answered = found, True
            self._draw()

    def tell_waiting(self, text: str) -> None:
        """Say what the answer waits for."""
        self._told.set_text(text)

    def _now(self, found: dict[str, Any]) -> tuple[float, float]:
        feedback = self.explore.session.car.feedback
        return float(getattr(feedback, found["x_key"])), float(getattr(feedback, found["y_key"]))

    def _draw(self) -> None:
        found = self._map
        if found is None:
            self._note.set_text(self._why_no_map() if self._answered else "")
            self.chart.run_chart_method("clear")
            return
        option = map_option(found, self._now(found), self.explore.look.palette)
        self.chart.options.clear()
        self.chart.options.update(option)
        self.chart.update()
        self._note.set_text(
            "Numbers: from how many of 100 starting places it hunts; empty: from none."
            f" {BORDERS[self._kind]} Diamond: your settings; click a cell to move there."
        )

    def _why_no_map(self) -> str:
        feedback = self.explore.session.car.feedback
        if not feedback.acts:
            return "No map: feedback is off."
        if self._kind == "gains" and not law_of(feedback).has_gains:
            return "No map: this law has no gain and no integral."
        return "No map: the engine swings by itself, or no position gives the target."

    def mark_now(self) -> None:
        """Move the mark to the present settings while the map itself waits."""
        found = self._map
        if found is not None:
            point = mark(self._now(found), self.explore.look.palette)
            self.chart.run_chart_method("setOption", {"series": [{}, {}, {}, point]})

    def _other(self, event: Any) -> None:
        self._kind = event.value
        self.explore.changed()

    def _clicked(self, event: Any) -> None:
        if self._map is None or not isinstance(event.value, list):
            return
        x, y = nearest_cell(self._map, float(event.value[0]), float(event.value[1]))
        self.explore.set_sliders(**{self._map["x_key"]: x, self._map["y_key"]: round(y, 1)})

    def _start(self) -> dict[str, Any]:
        session = self.explore.session
        return {
            "work": "workbench.page.work_explain:explain_work",
            "title": "Explaining",
            "car": session.wish.car(session.car),
            "seed": session.seed,
        }

    def _tell(self, result: Any) -> None:
        self._story.set_text(self.explore.look.words("\n".join(result["lines"])))
        self._cycle.show(result["cycle"])
