"""Start: a cold start played at chosen speed, and the open-loop curves with proposals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from workbench import units
from workbench.page.chart_start import start_data, start_frame
from workbench.page.curve_table import CurveTable
from workbench.page.job_panel import JobPanel
from workbench.page.shown import cautions, heading, list_html
from workbench.page.sliders import Slide, choice, slider

if TYPE_CHECKING:
    from workbench.page.frame import Page

TICK_s = 0.1
SPEEDS = {1.0: "real time", 4.0: "4 x", 16.0: "16 x", 0.0: "all at once"}
OUTSIDE = Slide("outside_degC", "Engine and air", "degC", -30, 40, 1)
CURVES = (
    ("base_steps", "Base curve", None),
    ("cranking_steps", "Cranking curve", None),
    ("after_start_steps", "After-start air", "after_start_fade_s"),
)
"""Key of table [curves], name, and the key of the time over which what it gives fades."""


class StartTab:
    """The tab.

    Parameters
    ----------
    page : Page
        Where it is.
    """

    def __init__(self, page: Page) -> None:
        self.page, self.session, self.look = page, page.session, page.look
        self._degC = 0.0
        self._played: dict[str, Any] | None = None
        self._at_s = 0.0

    def build(self) -> None:
        """Build it, with what was found before."""
        from nicegui import ui

        cautions()
        with ui.element("section").classes("card"):
            self._play_part()
        with ui.element("section").classes("card"):
            heading("Open-loop curves")
            ui.label(
                "Proposals come from the model; nothing is taken unless you take it, and 'Undo"
                " changes' takes it back."
            ).classes("soft")
            self._base = JobPanel(
                self.page, "base", "Propose curves", self._base_arguments, self._show_base,
                grace_s=1.5,
            )  # fmt: skip
            self._base.build()
            self._base_told = ui.html("", sanitize=False)
        self._curves = [CurveTable(self.page, *curve) for curve in CURVES]
        with ui.element("div").classes("thirds"):
            for one in self._curves:
                one.build()
        self.look.redraw.append(self._restyle)
        self._start.show_found()
        self._base.show_found()

    def _play_part(self) -> None:
        from nicegui import ui

        heading("Start the engine")
        with ui.element("div").classes("line"):
            with ui.element("div").style("width: 280px; max-width: 100%"):
                self._outside = slider(OUTSIDE, self._degC, self._set_degC, self._degC_text)
            self._speed = choice("Played", SPEEDS, 16.0)
        self._start = JobPanel(
            self.page, "start", "Start it", self._start_arguments, self._show_start, grace_s=1.5
        )
        self._start.build()
        self._finding = ui.label().classes("big").props('role="status"')
        self._now = ui.label().classes("soft")
        self._chart = ui.echart({}).classes("tall").style("width: 100%")
        self._chart.props('role="img" aria-label="speed, valve and temperature of the start"')
        self._chart.set_visibility(False)
        self._told = ui.html("", sanitize=False)
        self._timer = ui.timer(TICK_s, self._tick, active=False)

    def _set_degC(self, value: float) -> None:
        self._degC = value

    def _degC_text(self, value: float) -> str:
        shown = units.shown(value, "degC", self.look.imperial)
        return f"{shown:.0f} {units.written('degC', self.look.imperial)}"

    def _start_arguments(self) -> dict[str, Any]:
        return {
            "work": "workbench.page.work_start:start_work", "title": "Starting",
            "car": self.session.car, "coolant_degC": self._degC, "seed": self.session.seed,
        }  # fmt: skip

    def _base_arguments(self) -> dict[str, Any]:
        return {
            "work": "workbench.page.work_start:base_work", "title": "Proposing",
            "car": self.session.car, "seed": self.session.seed,
        }  # fmt: skip

    def _show_start(self, found: dict[str, Any]) -> None:
        shown_before = found is self._played
        self._played = found
        self._chart.set_visibility(True)
        self._restyle()
        self._at_s = found["length_s"] if shown_before else 0.0
        self._finding.set_text("")
        self._told.set_content("")
        if float(self._speed.value) == 0.0 or shown_before:
            self._at_s = found["length_s"]
        self._timer.active = True

    def _tick(self) -> None:
        """Play on."""
        found = self._played
        if found is None:
            self._timer.active = False
            return
        speed = float(self._speed.value)
        step_s = speed * TICK_s if speed > 0.0 else found["length_s"]
        self._at_s = min(self._at_s + step_s, found["length_s"])
        data = start_data(found, self._at_s, self.look.imperial)
        self._chart.run_chart_method("setOption", data)
        here = [text for _, begin, end, text in found["phases"] if begin <= self._at_s < end]
        name = [name for name, begin, end, _ in found["phases"] if begin <= self._at_s < end]
        told = f"{self._at_s:.1f} s  {name[0]}: {here[0]}" if here else f"{self._at_s:.1f} s"
        self._now.set_text(self.look.words(told))
        if self._at_s >= found["length_s"]:
            self._timer.active = False
            _, _, told = found["finding"].partition(": ")
            self._finding.set_text(self.look.words(told[:1].upper() + told[1:]))
            self._told.set_content(list_html([self.look.words(one) for one in found["wrong"]]))

    def _restyle(self) -> None:
        self._outside.tell()
        for one in self._curves:
            one.fill()
        if self._played is None:
            return
        frame = start_frame(self._played, self.look.palette, self.look.imperial)
        data = start_data(self._played, self._at_s, self.look.imperial)["series"]
        for line, points in zip(frame["series"], data, strict=True):
            line.update(points)
        self._chart.options.clear()
        self._chart.options.update(frame)
        self._chart.update()

    def _show_base(self, found: dict[str, Any]) -> None:
        self._base_told.set_content(list_html([self.look.words(one) for one in found["told"]]))
        for one in self._curves:
            one.propose(found["curves"])
