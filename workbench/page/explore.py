"""Explore: sliders, and the idle that they make, drawn again at once."""

from __future__ import annotations

import asyncio
import json
import time
from dataclasses import replace
from functools import partial
from typing import Any

import sim
from controllers import LAWS, setting_acts
from workbench.page import chart_parts, shown
from workbench.page.beside import WORK, NoAnswerError
from workbench.page.chart_parts import Options
from workbench.page.explore_why import WhyPanel
from workbench.page.job_panel import Tab
from workbench.page.jobs import told_beside
from workbench.page.look import Palette
from workbench.page.shown import ui
from workbench.page.slides import COOLANT, SCATTER, SLIDES
from workbench.page.wish import LENGTH_s
from workbench.words import units
from workbench.words.laws import LAW_WORDS
from workbench.words.search import setting_name

LEAST_ABOUT_TARGET_rpm = 150.0
MOST_SPEED_LINES, MOST_VALVE_LINES, MOST_PRESSURE_LINES = 5, 3, 3
WIDTH_px, RUNGS_RIGHT_px = 74, 6  # How wide the column of rungs is, and its distance from the edge.
RIGHT_px = 24 + WIDTH_px
GRIDS = (("8%", 40), ("57%", 12), ("80%", 13))
REACHED, PASSED = "positions that moves of this size reach", "other positions"


def idle_frame(palette: Palette, pressure_unit: str) -> Options:
    """Everything of the chart but its data."""
    names = ("speed [rpm]", "valve [steps]", f"manifold [{pressure_unit}]")
    grids = chart_parts.rows(GRIDS, RIGHT_px)
    top, height = GRIDS[0]
    grids.append({"right": RUNGS_RIGHT_px, "width": WIDTH_px, "top": top, "height": f"{height}%"})
    more = {"interval": 5, "axisLine": {"lineStyle": {"color": palette.soft}}, "axisTick": {"show": False}}
    x_axes = [chart_parts.time_axis(i, 0, LENGTH_s, palette, i == 2, True) | more for i in range(3)]
    y_axes = [chart_parts.y_axis(i, name, palette, 4 if i == 0 else 2) for i, name in enumerate(names)]
    still: Options = {"emphasis": {"disabled": True}}
    lines = [
        chart_parts.line(names[0], 0, palette.speed, **still),
        chart_parts.line(names[1], 1, palette.valve, width=2, steps=True, **still),
        chart_parts.line("manifold pressure", 2, palette.pressure, width=1.2, **still),
    ]
    faint: Options = {"lineStyle": {"color": palette.soft, "width": 1.2, "opacity": 0.7}, "z": 1}
    faded = [
        chart_parts.line("faded", row, palette.soft, steps=row == 1, **chart_parts.UNHEARD) | faint
        for row in range(2)
    ]
    x_rungs, y_rungs, rungs = _rungs_frame(palette, 3)
    return chart_parts.options(
        grids, [*x_axes, x_rungs], [*y_axes, y_rungs], [*lines, *rungs, *faded], "axis",
        axisPointer={"link": [{"xAxisIndex": [0, 1, 2]}]}, textStyle={"color": palette.ink},
    )  # fmt: skip


def _rungs_frame(palette: Palette, grid: int) -> tuple[Options, Options, list[Options]]:
    """Both axes of the rungs and their lines, still without data."""
    hidden = {"show": False}
    across = {"type": "value", "gridIndex": grid, "min": 0, "max": 1, "show": False, "axisPointer": hidden}
    upward = {
        "type": "value", "gridIndex": grid, "splitNumber": 4, "name": "valve at", "nameGap": 11,
        "nameTextStyle": {"color": palette.ink, "align": "left", "padding": [0, 0, 0, 2]},
        **dict.fromkeys(("axisLabel", "axisTick", "axisLine", "splitLine", "axisPointer"), hidden),
    }  # fmt: skip
    plain = {
        **chart_parts.UNHEARD, "type": "scatter", "symbol": "rect", "clip": True, "data": [],
        "xAxisIndex": grid, "yAxisIndex": grid,
    }  # fmt: skip
    passed = {"name": PASSED, "symbolSize": [16, 1.5], "itemStyle": {"color": palette.soft}}
    label = {"show": True, "position": "right", "color": palette.ink, "fontSize": 11, "formatter": "{@[2]}"}
    reached = {"name": REACHED, "z": 5, "label": label, "labelLayout": {"hideOverlap": True}}
    return across, upward, [plain | passed, plain | reached]


def rungs_data(found: Options, palette: Palette) -> list[Options]:
    """The rungs, those that hold in bold, and the bar: two series, to be merged in this order."""
    low, high = found["bar"] or (0.0, -1.0)
    reached = [
        {
            "value": [0.36, rpm, steps], "symbolSize": [42, 5 if holds else 2.5],
            "itemStyle": {"color": palette.good if holds else palette.valve},
            "label": {"fontWeight": "bold" if holds else "normal"},
        }
        for steps, rpm in found["reached"]
        for holds in [low <= rpm <= high]
    ]  # fmt: skip
    style = {"color": palette.band, "borderColor": palette.speed, "borderWidth": 1.5}
    ends = [[{"xAxis": 0.02, "yAxis": low}, {"xAxis": 0.7, "yAxis": high}]]
    bar = {"silent": True, "itemStyle": style, "data": ends if found["holds"] is not None else []}
    return [{"data": [[0.36, rpm] for _, rpm in found["passed"]], "markArea": bar}, {"data": reached}]


def with_room(run: Options, faded: Options | None) -> Options:
    """The run with room on its axes for what is drawn faded behind it."""
    if faded is None:
        return run
    both = zip(run["spans"].items(), faded["spans"].values(), strict=True)
    return run | {"spans": {key: [min(a[0], b[0]), max(a[1], b[1])] for (key, a), b in both}}


def faded_data(faded: Options | None) -> Options:
    """The lines behind the run, to be merged."""
    lines = ([], []) if faded is None else (faded["rpm"], faded["valve_steps"])
    return {"series": [{}, {}, {}, {}, {}, *({"data": one} for one in lines)]}


def idle_data(run: Options, palette: Palette) -> Options:
    """What changes when a slider moves: the points, where the deadband lies, and the rungs."""
    target, around = run["target_rpm"], max(LEAST_ABOUT_TARGET_rpm, run["deadband_rpm"])
    least, most = run["spans"]["rpm"]
    bottom, top = min(least, target - around), max(most, target + around)
    label = {"formatter": "target", "position": "insideEndTop", "color": palette.ink}
    marked = chart_parts.deadband(run, palette) | chart_parts.target_line(run, palette, **label)
    scale = chart_parts.round_scale(max(bottom, 0.0), top, MOST_SPEED_LINES)
    fewest, farthest = run["spans"]["valve_steps"]
    low = max(fewest - 1.0, 0.0)
    room = chart_parts.round_scale(low, max(farthest + 1.0, low + 2.0), MOST_VALVE_LINES)
    # The pressure is emptied: what is drawn there is of another run.
    lines = [{"data": run["rpm"], **marked}, {"data": run["valve_steps"]}, {"data": []}]
    return {"series": [*lines, *rungs_data(run["rungs"], palette)], "yAxis": [scale, room, {}, scale]}


def pressure_data(points: list[list[float]]) -> Options:
    """The points of the pressure, to be merged."""
    values = [value for _, value in points]
    scale = chart_parts.round_scale(min(values), max(values), MOST_PRESSURE_LINES) if values else {}
    return {"series": [{}, {}, {"data": points}], "yAxis": [{}, {}, scale]}


AFTER_s = 0.25  # Slower answers begin when nothing has moved for this long [s].
MOUNT_EVERY_s = 0.05  # A chart that the browser has not put up yet is asked again after this long [s].
_DRAW = """const one = getElement({id});
if (!one?.chart) return false;
one.chart.setOption({data});
return true;"""
"""Says whether it was drawn: what is sent to a chart that is not up yet would be lost."""
TOLD_AFTER_s, LOOK_EVERY_s = 3.0, 0.5
"""A first picture that takes longer than this is being compiled, and told of [s]."""
COMPILING = (
    "The simulation is being compiled for this machine: once, about half a minute ({:.0f} s so far)."
    " Then the page draws by itself."
)


class Explore(Tab):
    """The tab."""

    def build(self) -> None:
        """Build it and draw the car as it is."""
        self._wanted = self._drawn = 0
        self._busy = False
        self._instead: sim.Car | None = None  # shown, but not taken
        self._told_instead = ""
        self._faded: Options | None = None  # drawn behind, and what it is of
        self._faded_of: object = None
        self._judged: tuple[object, ...] | None = None
        self._set: dict[str, shown.Slider] = {}
        with shown.within("explore"):
            with shown.card("settings"):
                self._sliders()
            with shown.card("the idle", "card shown"):
                self._shown()
            with shown.card("", "why").style("display: grid; gap: 10px"):
                self.why = WhyPanel(self.page, self)
            with shown.within("halves below"):
                self.why.build_what_ifs()
        self.why.build_below()
        self.look.redraw.append(self._restyle)
        self.changed()

    def _sliders(self) -> None:
        feedback, wish = self.session.car.feedback, self.session.wish
        shown.choice("Law", {law: law for law in LAWS}, feedback.law, lambda law: self.change(law=law))
        self._law = shown.words("", "soft")
        for one in SLIDES:
            value = float(getattr(feedback, one.key))
            self._set[one.key] = shown.Slider(one, value, partial(self._moved, one))
        self._show_those_that_act()
        ui().separator()
        share = 100.0 * wish.scatter_share
        shown.Slider(SCATTER, share, lambda v: self._wish(scatter_share=v / 100.0))
        self._coolant = shown.Slider(
            COOLANT, wish.coolant_degC, lambda v: self._wish(coolant_degC=v), self.look.temperature
        )
        with shown.within("line"):
            for key, name in (("load_on", "Lamps, fan, rear window on"), ("blip", "Blip")):
                box = ui().checkbox(name, value=getattr(wish, key)).props("dense")
                box.on_value_change(lambda e, key=key: self._wish(**{key: e.value}))
        self._problem = shown.alert()

    def _shown(self) -> None:
        self.verdict = shown.status("big").props('aria-live="polite"')
        self._finding = shown.words("", "run")
        self.chart = shown.chart("speed, valve and manifold pressure over time", "runs", self._frame())
        self._rungs = shown.status("rungs").style("min-height: 2.8em")
        shown.words(
            "Right of the speed: a line for each position of the valve, at its own steady speed; the bar is"
            " the deadband.",
            "soft",
        )

    def _frame(self) -> dict[str, Any]:
        return idle_frame(self.look.palette, units.written("kPa", self.look.imperial))

    def _show_those_that_act(self) -> None:
        feedback = self.session.car.feedback
        for one in SLIDES:
            self._set[one.key].show(setting_acts(feedback, one.key))
        self._law.set_text(LAW_WORDS.get(feedback.law, ""))

    def _moved(self, one: shown.Slide, value: float) -> None:
        self.change(**{one.key: int(value) if one.step == 1 and "steps" in one.key else value})

    def _wish(self, **values: Any) -> None:
        self.session.wish = replace(self.session.wish, **values)
        self._instead = None
        self.changed()

    def change(self, **values: Any) -> None:
        """Change feedback settings and draw what they make; a refusal stands beside the sliders."""
        try:
            self.session.change("feedback", **values)
        except sim.InputError as error:
            self._problem.set_text(told_beside(error))
            return
        self._problem.set_text("")
        self._show_those_that_act()
        self._instead = None
        self.changed()

    def show_instead(self, car: sim.Car | None, told: str = "") -> None:
        """Draw another car without taking it, the own one faded behind; None draws the own one again."""
        if car != self._instead:
            self._instead, self._told_instead = car, told
            self.changed()

    def preview(self, **values: float) -> None:
        """Draw the car with other settings of the feedback."""
        car = sim.with_values(self.session.car, {"feedback": values})
        self.show_instead(car, ", ".join(f"{setting_name(key)} {value:g}" for key, value in values.items()))

    def take(self, **values: Any) -> None:
        """Take settings over, sliders and all."""
        law = self.session.car.feedback.law
        self.change(**values)
        if self.session.car.feedback.law != law:
            self.page.rebuild()
            return
        for key, slider in self._set.items():
            slider.move(float(getattr(self.session.car.feedback, key)))

    def changed(self) -> None:
        """Have the newest settings drawn; what is older is dropped."""
        from nicegui import background_tasks

        self._wanted += 1
        if not self._busy:
            self._busy = True
            background_tasks.create(self._redraw(), name="redraw")

    def _asked(self) -> tuple[object, ...]:
        return self.session.car, self.session.wish, self.session.pinned, self.why.kind

    def is_asked(self, asked: tuple[object, ...]) -> bool:
        """Whether the car is still as it was when something was asked about it."""
        return asked == self._asked() and not self.chart.is_deleted

    def is_newest(self, number: int) -> bool:
        """Whether nothing has been changed since."""
        return number == self._wanted and not self.chart.is_deleted

    async def _redraw(self) -> None:
        """Draw until the newest is drawn, one at a time: the browser says when it is done."""
        try:
            while self._drawn != self._wanted and not self.chart.is_deleted:
                number = self._wanted
                run = await self._run()
                await self._fade()
                self._finding.set_text(f"{self.look.words(run['finding'])}{self._told_behind()}")
                self._rungs.set_text(self.look.words(run["rungs"]["text"]))
                await self._send(idle_data(with_room(run, self._faded), self.look.palette))
                self._drawn = number
        except NoAnswerError as error:
            self._problem.set_text(f"This could not be run: {error}. Change a setting to try again.")
            self._drawn = self._wanted
            return
        finally:
            self._busy = False
        self.page.tell_state()
        self.why.mark_now()
        if self._judged is not None and self._judged[0] != self.session.car:
            self.why.tell_waiting("Working out how often it hunts.")
        await self._later(self._drawn)

    def _what(self) -> tuple[object, ...]:
        return self._instead or self.session.car, self.session.wish, self.session.seed

    def _behind(self) -> sim.Car | None:
        return self.session.pinned if self._instead is None else self.session.car

    def _told_behind(self) -> str:
        if self._instead is not None:
            return f" Drawn: {self._told_instead}; faded: your settings."
        return "" if self.session.pinned is None else " Faded: the pinned settings."

    async def _fade(self) -> None:
        """Have drawn behind what is to be compared with, where it is not yet."""
        behind, asked = self._behind(), (self._behind(), self.session.wish)
        if asked != self._faded_of:
            self._faded = None
            if behind is not None:
                self._faded = await self.page.runs.quick.ask(WORK + "idle", behind, *self._what()[1:])
            self._faded_of = asked
            await self._send(faded_data(self._faded))

    async def _run(self) -> dict[str, Any]:
        """Run what is asked for; the first time, say why it takes so long where it does."""
        asked = self.page.runs.quick.ask(WORK + "idle", *self._what(), self.session.car)
        if self._drawn > 0:
            return await asked
        waiting = asyncio.create_task(asked)
        begun_s = time.monotonic()
        try:
            while not (await asyncio.wait([waiting], timeout=LOOK_EVERY_s))[0]:
                waited_s = time.monotonic() - begun_s
                if waited_s >= TOLD_AFTER_s:
                    self._finding.set_text(COMPILING.format(10.0 * (waited_s // 10.0)))
                    self.why.tell_waiting("Follows when the simulation has been compiled.")
            return waiting.result()
        finally:
            waiting.cancel()

    async def _send(self, data: dict[str, Any]) -> None:
        code = _DRAW.format(id=self.chart.id, data=json.dumps(data))
        while not self.chart.is_deleted:
            try:
                if await self.chart.client.run_javascript(code, timeout=2.0):
                    return
            except TimeoutError:
                return  # a browser that is slow to answer is not waited for: the newest comes next
            await asyncio.sleep(MOUNT_EVERY_s)

    async def _send_pressure(self, number: int) -> None:
        """Send the pressure of what was drawn, which costs far more than the speed."""
        points = await self.page.runs.slow.ask(WORK + "pressure", *self._what())
        if self.is_newest(number):
            points = [[t, units.shown(p, "kPa", self.look.imperial)] for t, p in points]
            await self._send(pressure_data(points))

    async def _later(self, number: int) -> None:
        """What takes much longer than a frame, once nothing moves any more."""
        await asyncio.sleep(AFTER_s)
        try:
            if self.is_newest(number):
                await self._send_pressure(number)
            asked = self._asked()
            if asked == self._judged:
                return
            self._judged = asked  # by what follows, whatever is pointed at meanwhile
            for refresh in (self.why.refresh, self.why.refresh_map, self.why.refresh_what_ifs):
                if not self.is_asked(asked):
                    self._judged = None if self._judged is asked else self._judged
                    return
                await refresh(asked)
        except NoAnswerError as error:
            self._judged = None
            self.why.tell_waiting(f"This could not be worked out: {error}.")

    def _restyle(self) -> None:
        self._coolant.tell()
        frame = self._frame()
        for one in frame["series"]:
            one.pop("data")
        shown.redraw(self.chart, frame)
        self.changed()
