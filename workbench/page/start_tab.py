"""Start: a cold start played at chosen speed, and the open-loop curves with proposals."""

from __future__ import annotations

import math
from typing import Any

import sim
from workbench.page import shown
from workbench.page.chart_parts import line, options, rows, time_axis, y_axis
from workbench.page.curve_table import CurveTable
from workbench.page.job_panel import JobPanel, Tab
from workbench.page.jobs import told_beside
from workbench.page.look import Palette
from workbench.page.shown import ui
from workbench.page.slides import OUTSIDE
from workbench.words import units
from workbench.words.sentence import capital
from workbench.words.wording import filled, worded

GRIDS = ((60, 37), ("60%", 15), ("84%", 9))
"""Top [px, or share of the chart] and height [%] of each row, below two lines of legend."""
PLOT_SHARE, LETTER_px = 0.85, 6.2
"""Share of the window that the plot has where it matters, and about how wide a letter is [px]."""


def start_frame(found: dict[str, Any], palette: Palette, imperial: bool) -> dict[str, Any]:
    """Everything of the chart but its data."""
    names = ("speed [rpm]", "valve [steps]", f"temperature [{units.written('degC', imperial)}]")
    length = found["length_s"]
    shades = [
        [{"xAxis": begin, "name": name, "label": _fitting(name, (end - begin) / length)}, {"xAxis": end}]
        for name, begin, end, _ in found["phases"][::2]
    ]
    highest = max(value for _, value in found["lines"]["rpm"])
    axes = [y_axis(i, name, palette, 3 if i == 0 else 2) for i, name in enumerate(names)]
    axes[0] |= {"min": 0, "max": 500.0 * math.ceil(1.03 * highest / 500.0)}
    axes[1] |= {"min": 0, "minInterval": 1}
    x_axes = [time_axis(i, 0, length, palette, i == 2, False) for i in range(3)]
    lines = _lines(palette, found["engine"])
    lines[0]["markArea"] = {
        "silent": True, "itemStyle": {"color": palette.band}, "data": shades,
        "label": {"color": palette.ink, "position": "insideTop"},
    }  # fmt: skip
    legend = {"itemWidth": 20, "itemHeight": 10, "itemGap": 8, "top": 0, "left": 0,
              "textStyle": {"color": palette.ink}, "data": [one["name"] for one in lines]}  # fmt: skip
    return options(rows(GRIDS, 24), x_axes, axes, lines, "axis", legend=legend)


def _fitting(name: str, share: float) -> dict[str, str]:
    """A label left out in the browser where its band is too narrow for it."""
    narrow = LETTER_px * len(name) / (PLOT_SHARE * share) if share > 0.0 else 1e9
    return {":formatter": f"() => window.innerWidth > {narrow:.0f} ? '{name}' : ''"}


def _lines(palette: Palette, engine: str) -> list[dict[str, Any]]:
    return [
        line("speed", 0, palette.speed), line("target", 0, palette.ink, kind="dashed", steps=True),
        line("valve", 1, palette.valve, steps=True),
        line("base curve", 1, palette.soft, kind="dotted", steps=True), line(engine, 2, palette.heat),
        line("oil", 2, palette.ink, kind="dashed"),
    ]  # fmt: skip


def moment(found: dict[str, Any], at_s: float, imperial: bool) -> str:
    """What the engine does at a moment, by the last points drawn."""
    told = []
    for name, words in (
        ("rpm", "speed {:.0f} rpm"), ("valve_steps", "valve {:.0f} steps"),
        ("coolant_degC", found["engine"] + " {now_degC:.0f}"), ("oil_degC", "oil {now_degC:.0f}"),
    ):  # fmt: skip
        until = [value for time_s, value in found["lines"][name] if time_s <= at_s]
        if until:
            given = {"now_degC": until[-1]}
            told.append(filled(words, given, imperial) if "degC" in name else words.format(until[-1]))
    here = [name for name, begin, end, _ in found["phases"] if begin <= at_s < end]
    moment = ", ".join([f"{at_s:.1f} s", *here[:1]])
    return f"{moment}: {', '.join(told)}" if told else moment


def past_phases(found: dict[str, Any], at_s: float, imperial: bool) -> list[str]:
    """Phases that are over at a moment, with what happened in them."""
    return [
        f"{name}, {begin:.1f} to {end:.1f} s: {worded(text, imperial)}"
        for name, begin, end, text in found["phases"]
        if end <= at_s
    ]


def start_data(found: dict[str, Any], until_s: float, imperial: bool) -> dict[str, Any]:
    """The points up to a moment."""
    lines = found["lines"]
    order = ("rpm", "target_rpm", "valve_steps", "base_steps", "coolant_degC", "oil_degC")
    series = []
    for name in order:
        points = [point for point in lines[name] if point[0] <= until_s]
        if name.endswith("_degC"):
            points = [[t, round(units.shown(v, "degC", imperial), 1)] for t, v in points]
        if points and name.endswith(("_steps", "target_rpm")):
            points = [*points, [until_s, points[-1][1]]]
        series.append({"data": points})
    return {"series": series}


TICK_s = 0.1
SPEEDS = {1.0: "real time", 4.0: "4 x", 16.0: "16 x", 0.0: "all at once"}
CURVES = (
    ("base_steps", "Base curve", None),
    ("cranking_steps", "Cranking curve", None),
    ("after_start_steps", "After-start air", "after_start_fade_s"),
)
"""Key of table [curves], name, and the key of the time over which what it gives fades."""


class StartTab(Tab):
    """The tab."""

    def build(self) -> None:
        """Build it, with what was found before."""
        self._played: dict[str, Any] = {}
        self._at_s, self._building = 0.0, True
        self._past: list[str] = []
        self._held_up: list[JobPanel] = []
        shown.cautions()
        with shown.card():
            self._play_part()
        with shown.card():
            self._base_part()
        with shown.within("thirds"):
            self._curves = [CurveTable(self.page, self._curves_changed, *one) for one in CURVES]
        self.look.redraw.append(self._restyle)
        self._start.show_found()
        self._base.show_found()
        self._building = False

    def _play_part(self) -> None:
        shown.heading("Start the engine")
        with shown.within("line"):
            with ui().element("div").style("width: 280px; max-width: 100%"):
                self._outside = shown.Slider(OUTSIDE, 0.0, write=self.look.temperature)
            self._speed = shown.choice("Played", SPEEDS, 16.0)
        self._start = JobPanel(
            self, "start", "Start it", "Starting", "work_start:start_work", self._show_start,
            lambda: None if self._is_held_up(self._start) else self.asked(coolant_degC=self._outside.value),
        )  # fmt: skip
        self._finding, self._now = shown.status("big"), shown.words("", "soft")
        self._chart = shown.chart("speed, valve and temperature of the start", "tall")
        self._chart.set_visibility(False)
        self._phases, self._told = shown.html(), shown.html()
        self._timer = ui().timer(TICK_s, self._tick, active=False)

    def _base_part(self) -> None:
        shown.heading(
            "Open-loop curves",
            "Proposals come from the model; nothing is taken unless you take it, and 'Undo' takes it back.",
        )
        self._base = JobPanel(
            self, "base", "Propose curves", "Proposing", "work_start:base_work", self._show_base,
            lambda: None if self._is_held_up(self._base) else self.asked(), taken=self._has_them,
        )  # fmt: skip
        self._base_told = shown.html()
        self._take = shown.hidden_button("Take all three", self._take_all)
        self._refused = shown.alert()

    def _is_held_up(self, panel: JobPanel) -> bool:
        """Whether a field shows what no car has, which is then said beside the button."""
        wrong = [one.name for one in self._curves if one.refused]
        if wrong:
            panel.tell_problem(
                f"Not begun: a field is not valid ({', '.join(wrong)}). Mend it below, or press 'Undo'."
            )
            self._held_up.append(panel)
        return bool(wrong)

    def _curves_changed(self) -> None:
        """Once all fields are valid, nothing holds up a button any more."""
        if not any(one.refused for one in self._curves):
            for panel in self._held_up:
                panel.tell_problem("")
            self._held_up.clear()

    def _show_start(self, found: dict[str, Any]) -> None:
        if found is self._played:
            return  # in other units or colours: drawn by `_restyle`, and played on
        self._played, self._past = found, []
        self._phases.set_content("")
        self._chart.set_visibility(True)
        # What was found before the tab was built has been played already.
        at_once = self._building or float(self._speed.value) == 0.0
        self._at_s = found["length_s"] if at_once else 0.0
        self._restyle_chart(found)
        self._tell(found)
        self._timer.active = not at_once

    def _tick(self) -> None:
        found, speed = self._played, float(self._speed.value)
        step_s = speed * TICK_s if speed > 0.0 else found["length_s"]
        self._at_s = min(self._at_s + step_s, found["length_s"])
        data = start_data(found, self._at_s, self.look.imperial)
        self._chart.run_chart_method("setOption", data)
        self._tell(found)
        self._timer.active = self._at_s < found["length_s"]

    def _tell(self, found: dict[str, Any]) -> None:
        """Say what is so at the moment shown, and what is over by then."""
        begun = self.look.words(f"Start at {found['coolant_degC']:.0f} degC")
        self._now.set_text(f"{begun}; {moment(found, self._at_s, self.look.imperial)}")
        past = past_phases(found, self._at_s, self.look.imperial)
        if past != self._past:
            self._past = past
            self._phases.set_content(shown.list_html(past))
        ended = self._at_s >= found["length_s"]
        _, _, told = found["finding"].partition(": ")
        at = f"From {found['coolant_degC']:.0f} degC. {capital(told)}"
        self._finding.set_text(self.look.words(at) if ended else "")
        self._told.set_content(self.listed(found["wrong"]) if ended else "")

    def _restyle(self) -> None:
        self._outside.tell()
        for one in self._curves:
            one.fill()
        if self._played:
            self._restyle_chart(self._played)
            self._tell(self._played)

    def _restyle_chart(self, found: dict[str, Any]) -> None:
        frame = start_frame(found, self.look.palette, self.look.imperial)
        data = start_data(found, self._at_s, self.look.imperial)["series"]
        for drawn, points in zip(frame["series"], data, strict=True):
            drawn.update(points)
        shown.redraw(self._chart, frame)

    def _show_base(self, found: dict[str, Any]) -> None:
        self._base_told.set_content(self.listed(found["told"]))
        for one in self._curves:
            one.propose(found["curves"])
        self._take.set_visibility(True)

    def _has_them(self) -> bool:
        now = self.session.car
        as_then = self._base.found_about().model_copy(update={"curves": now.curves})
        return all(one.is_taken for one in self._curves) and bool(as_then == now)

    def _take_all(self) -> None:
        """Take the proposals of all curves at once, as they were made for each other."""
        values: dict[str, Any] = {}
        for one in self._curves:
            values |= one.proposed
        try:
            self.session.change("curves", **values)
        except sim.InputError as error:
            self._refused.set_text(self.look.words(told_beside(error)))
            return
        self._refused.set_text("")
        self.page.tell_state()
        for one in self._curves:
            one.forget()
        self._curves_changed()
