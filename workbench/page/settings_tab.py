"""Settings: the search with its best so far, now and proposed side by side, and the stress test."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import sim
from controllers import LAWS
from workbench.page import shown
from workbench.page.beside import WORK
from workbench.page.chart_parts import line, named_axis, options, round_scale, target_line, time_axis, y_axis
from workbench.page.job_panel import JobPanel, Tab
from workbench.page.jobs import GRACE_s
from workbench.page.look import Palette
from workbench.page.shown import ui
from workbench.words.search import SETTINGS, changed_table, short

LEAST_AXIS = 5.0
TRIED = "tried; size: valve moves a minute"
UNBEATEN = "no other beats it on all three"
CHOSEN = "best score, which weighs more than these three"
LEFT_px, RIGHT_px, PLOT_SHARE = 46, 12, "40%"
"""Room beside the two pictures, and how wide each of them is; one scale serves both."""


def front_option(points: list[list[Any]], palette: Palette) -> dict[str, Any]:
    """Candidates tried: quiet to the left, quick at the bottom, wear as size."""
    quiet = sorted(point[0] for point in points)
    widest = quiet[int(0.9 * (len(quiet) - 1))] if quiet else LEAST_AXIS
    values = [
        {"value": [*(round(v, 2) for v in point[:5]), n], "symbolSize": 5.0 + math.sqrt(3.0 * point[2])}
        for n, point in enumerate(points)
    ]
    beaten = [value for value, point in zip(values, points, strict=True) if not point[4]]
    unbeaten = [value for value, point in zip(values, points, strict=True) if point[4]]
    # Hollow: it stands around its dot.
    ring = {"color": "transparent", "borderColor": palette.valve, "borderWidth": 2.5}
    dots = (
        {"name": TRIED, "data": beaten, "itemStyle": {"color": palette.soft, "opacity": 0.4}},
        {"name": UNBEATEN, "data": unbeaten, "itemStyle": {"color": palette.speed, "opacity": 0.8}, "z": 4},
        {"name": CHOSEN, "data": [value | {"symbolSize": 20} for value in values[:1]], "symbol": "diamond",
         "z": 5, "itemStyle": ring},
    )  # fmt: skip
    quiet_scale = round_scale(0.0, max(1.2 * widest, LEAST_AXIS), 6)
    legend = {"top": 0, "left": 0, "orient": "vertical", "itemGap": 4, "itemHeight": 11}
    return options(
        {"left": 52, "right": 16, "top": 84, "bottom": 46},
        named_axis("quiet: swing above that with the valve held [rpm]", palette, 28, **quiet_scale),
        named_axis("quick: settling after a load [s]", palette, 34, min=0),
        [{"type": "scatter", "clip": True, **one} for one in dots],
        "item",
        legend=legend | {"textStyle": {"color": palette.ink}},
    )


def beside_option(
    runs: list[dict[str, Any]], palette: Palette, names: tuple[str, str] = ("now", "proposed")
) -> dict[str, Any]:
    """Speed and valve with present and proposed settings, side by side on one scale."""
    target = max(run["target_rpm"] for run in runs)
    lowest = min(value for run in runs for _, value in run["rpm"])
    steps = [value for run in runs for _, value in run["valve"]]
    length = max(run["rpm"][-1][0] for run in runs)
    # A blip goes far higher; its top tells nothing about the settings.
    speeds = round_scale(max(0.0, min(lowest, target - 150.0)), 1.45 * target, 5)
    valves = round_scale(max(0.0, min(steps) - 2.0), max(steps) + 2.0, 3)
    grids, x_axes, y_axes, series = [], [], [], []
    inside = {"alignMinLabel": "left", "alignMaxLabel": "right", "hideOverlap": True}
    for place, run in enumerate(runs):
        name = names[place]
        for row, (top, height, scale) in enumerate(((12, 48, speeds), (74, 16, valves))):
            index = 2 * place + row
            side = {"left": LEFT_px} if place == 0 else {"right": RIGHT_px}
            grids.append({**side, "width": PLOT_SHARE, "top": f"{top}%", "height": f"{height}%"})
            x_axes.append(time_axis(index, 0, length, palette, row == 1, True, **inside) | {"splitNumber": 4})
            words = f"{name}: speed [rpm]" if row == 0 else "valve [steps]"
            axis = y_axis(index, words, palette, 4 if row == 0 else 2) | scale
            axis["nameTextStyle"]["padding"] = [0, 0, 0, 8 - LEFT_px if place == 0 else 0]
            axis["axisLabel"]["show"] = place == 0
            y_axes.append(axis)
        speed = line("speed [rpm]", 2 * place, palette.speed, run["rpm"], width=1.3)
        valve = line("valve [steps]", 2 * place + 1, palette.valve, run["valve"], width=1.3, steps=True)
        series += [speed | target_line(run, palette), valve]
    return options(grids, x_axes, y_axes, series, "axis")


BUDGETS = {"quick": "quick", "normal": "usual", "deep": "thorough"}
WEIGHTS = {
    "balanced": "balanced", "quiet": "a quiet idle", "quick": "quick recovery",
    "gentle": "a valve that holds",
}  # fmt: skip
SEARCHED = {"": "any law"} | {name: name for name, law in LAWS.items() if law.searched}
SUITES = {"standard": "everything", "loads": "loads and blips only"}


class SettingsTab(Tab):
    """The tab."""

    def build(self) -> None:
        """Build it, with what was found before."""
        self._points: list[list[Any]] = []
        self._pointed: Any = None  # at a candidate
        self._runs: list[dict[str, Any]] = []
        shown.cautions()
        with shown.within("halves"):
            with shown.card():
                self._search_part()
            with shown.card():
                self._found_part()
        with shown.card():
            shown.heading("Stress the settings the car has now")
            self._suite = shown.choice("What", SUITES, "standard")
            self._stress = JobPanel(
                self, "stress", "Stress them", "Stressing", "work_search:stress_work", self._show_stress,
                lambda: self.asked(suite=self._suite.value),
            )  # fmt: skip
            self._stress_finding = shown.status("big")
            self._stress_body = shown.html()
        self.look.redraw.append(self._draw)
        self._search.show_found()
        self._stress.show_found()

    def _search_part(self) -> None:
        shown.heading(
            "Search settings", "Tries settings on many variations of your car. The base curve is left alone."
        )
        with shown.within("line"):
            self._budget = shown.choice("How long", BUDGETS, "quick")
            self._weights = shown.choice("What counts", WEIGHTS, "balanced")
            self._law = shown.choice("Law", SEARCHED, "")
        self._search = JobPanel(
            self, "search", "Search", "Searching", "work_search:search_work", self._show_search,
            lambda: self.asked(
                budget=self._budget.value, preset=self._weights.value, law=self._law.value or None
            ),
            on_more=self._show_more, stop_text="Stop and keep the best", grace_s=GRACE_s,
            taken=self._has_it,
        )  # fmt: skip
        self._best = shown.status("soft")
        self._front = shown.chart(
            "candidates tried", "chart", front_option([], self.look.palette),
            on_point_click=lambda e: self._take(self._settings_at(e.value)),
        )  # fmt: skip
        self._front.on("chart:mouseover", lambda e: self._point(e.args.get("value")), ["value"])
        self._front.on("chart:globalout", self._draw, [])
        self._front_note = shown.words(
            "Point at a candidate to see its idle on the right; click to take its settings.", "soft"
        )
        self._front_note.set_visibility(False)
        self._front.set_visibility(False)

    def _found_part(self) -> None:
        shown.heading("Now and proposed")
        self._finding = shown.status("big", "Nothing searched yet.")
        self._beside = shown.chart("idle with present and with proposed settings", "chart")
        self._use = (
            ui().button("Use the proposed settings", on_click=partial(self._take, None)).props("dense")
        )
        self._use.style(shown.TO_THE_LEFT)
        self._beside.set_visibility(False)
        self._use.set_visibility(False)
        self._tables = shown.html()

    def _has_it(self) -> bool:
        now, proposed = self.session.car, self.session.found["search"]["settings"]
        searched = self._search.found_about().model_copy(update={"feedback": now.feedback})
        return bool(now.feedback.model_dump(mode="json") == proposed and searched == now)

    def _show_more(self, more: dict[str, Any]) -> None:
        if more.get("points") and more["points"] != self._points:
            self._points = more["points"]
            self._draw_front()
        if more.get("best"):
            self._best.set_text(f"Best so far: {_in_words(more['best'])}")

    def _draw_front(self) -> None:
        for one in (self._front, self._front_note):
            one.set_visibility(bool(self._points))
        shown.redraw(self._front, front_option(self._points, self.look.palette))

    def _draw(self) -> None:
        self._draw_front()
        if self._runs:
            shown.redraw(self._beside, beside_option(self._runs, self.look.palette))

    def _show_search(self, found: dict[str, Any]) -> None:
        self._points, self._runs = found["points"], found["runs"]
        offered = found["offered"]
        self.judge(self._finding, found["finding"], "big" if offered else "big bad")
        self._best.set_text(f"{'Proposed' if offered else 'Best so far'}: {_in_words(found['settings'])}")
        self._beside.set_visibility(True)
        self._use.set_visibility(offered)
        now = self._search.found_about().feedback.model_dump(mode="json")
        own = changed_table(now, found["settings"])
        tables = "".join(map(shown.table_html, (own, *found["tables"])))
        self._tables.set_content(tables + self.listed(found["notes"]))
        self._draw()

    def _show_stress(self, found: dict[str, Any]) -> None:
        self.judge(self._stress_finding, found["finding"], "big good" if found["passed"] else "big bad")
        self._stress_body.set_content(
            shown.picture_html(found["matrix"][self.look.imperial], found["finding"], 640)
            + shown.picture_html(found["worst"][self.look.imperial], "the worst cases", 560)
            + self.listed(found["lines"])
        )

    def _settings_at(self, value: Any) -> dict[str, Any] | None:
        """Settings of the candidate that a dot stands for."""
        known = isinstance(value, list) and len(value) == len(self._points[0]) if self._points else False
        return self._points[int(value[-1])][-1] if known else None

    async def _point(self, value: Any) -> None:
        """Draw the idle of a candidate beside the present one, without taking it."""
        settings, car = self._settings_at(value), self.session.car
        self._pointed = settings
        if settings is None:
            return
        other = sim.with_values(car, {"feedback": _paired(settings)})
        runs = [
            await self.page.runs.quick.ask(WORK + "idle", one, self.session.wish, self.session.seed)
            for one in (car, other)
        ]
        if self._pointed is settings and not self._beside.is_deleted:
            drawn = [run | {"valve": run["valve_steps"]} for run in runs]
            self._front_note.set_text(f"Pointed at: {_in_words(settings)}")
            self._beside.set_visibility(True)
            shown.redraw(self._beside, beside_option(drawn, self.look.palette, ("now", "pointed at")))

    def _take(self, plain: dict[str, Any] | None = None) -> None:
        plain = plain or self.session.found["search"]["settings"]
        self.session.change("feedback", **_paired(plain))
        self.page.rebuild()


def _paired(plain: dict[str, Any]) -> dict[str, Any]:
    """Settings as the car has them: limits are a pair."""
    return {k: tuple(v) if isinstance(v, list) else v for k, v in plain.items()}


def _in_words(settings: dict[str, Any]) -> str:
    """The settings that matter most, in one line."""
    keys = ("law", *LAWS[settings["law"]].settings, "deadband_rpm", "min_move_steps", "update_period_ms")
    told = [" ".join((SETTINGS[key][0], short(settings[key]), SETTINGS[key][1])).rstrip() for key in keys]
    return f"{', '.join(told)}."
