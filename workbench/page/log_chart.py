"""A recorded log as a chart to look into: zoomed, with what it is made of and the model's run over it."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

from workbench.page import shown
from workbench.page.chart_parts import Options, line, options, rows, time_axis, y_axis
from workbench.page.look import Look, Palette
from workbench.words import units

PLACES = {
    "start": "start", "driven": "throttle open", "hunting": "hunting", "load": "load", "step": "valve step",
}  # fmt: skip
"""Kinds of stretch that can be gone to."""
AROUND = 0.15  # A stretch is shown with this share of its length before and after it [-].
TOP_px = 40


def log_options(found: dict[str, Any], palette: Palette, imperial: bool) -> Options:
    """The chart of a log: speed, valve and pressure over time, as many rows as the log has."""
    lines = found["lines"]
    below = [name for name in ("steps", "kPa") if name in lines]
    named = {"steps": "valve [steps]", "kPa": f"manifold [{units.written('kPa', imperial)}]"}
    heights = {0: (74,), 1: (47, 21), 2: (38, 15, 15)}[len(below)]
    tops: list[float | str] = [TOP_px, *(f"{16 + sum(heights[: i + 1]) + 7 * i}%" for i in range(len(below)))]
    begin, end = math.floor(lines["rpm"][0][0]), math.ceil(lines["rpm"][-1][0])
    every = list(range(len(below) + 1))
    axes = [time_axis(i, begin, end, palette, i == len(below), False) for i in every]
    drawn = [line("recorded", 0, palette.speed, lines["rpm"], width=1.1)]
    if "target" in lines:
        drawn.append(line("target", 0, palette.ink, lines["target"], kind="dashed", steps=True, width=1.0))
    if "model" in lines:
        drawn.append(line("model, with the settings open here", 0, palette.heat, lines["model"], width=1.1))
    for row, name in enumerate(below, start=1):
        colour = palette.valve if name == "steps" else palette.pressure
        values = [[at_s, round(units.shown(value, name, imperial), 2)] for at_s, value in lines[name]]
        drawn.append(line(named[name].partition(" [")[0], row, colour, values, steps=name == "steps"))
    shades = [[{"xAxis": begin}, {"xAxis": end}] for kind, begin, end in found["places"] if kind == "hunting"]
    drawn[0]["markArea"] = {"silent": True, "itemStyle": {"color": palette.band}, "data": shades}
    legend = {"itemWidth": 20, "itemHeight": 10, "top": 0, "left": 0, "textStyle": {"color": palette.ink},
              "data": [one["name"] for one in drawn if one["xAxisIndex"] == 0]}  # fmt: skip
    zoom = [
        {"type": "inside", "xAxisIndex": every, "zoomOnMouseWheel": "ctrl"},
        {"type": "slider", "xAxisIndex": every, "bottom": 4, "height": 24, "brushSelect": True,
         "labelFormatter": "{value} s", "textStyle": {"color": palette.ink}},
    ]  # fmt: skip
    names = ["speed [rpm]", *(named[one] for one in below)]
    y_axes = [y_axis(i, name, palette, 3) for i, name in enumerate(names)]
    return options(
        rows(tuple(zip(tops, heights, strict=True)), 18), axes, y_axes, drawn, "axis", legend=legend,
        dataZoom=zoom, axisPointer={"link": [{"xAxisIndex": "all"}]},
    )  # fmt: skip


class LogChart:
    """The chart, and a button a stretch that shows it."""

    def __init__(self, look: Look) -> None:
        self._look, self._found = look, {}  # type: ignore[var-annotated] # nothing yet
        self._chart = shown.chart("the recorded log: speed, valve and pressure", "tall")
        self._note = shown.words("", "soft")
        self._places = shown.within("line")
        self.show({})

    def show(self, found: dict[str, Any]) -> None:
        """Show a log in the colours and units of now, or nothing."""
        self._found = found
        for one in (self._chart, self._note, self._places):
            one.set_visibility(bool(found))
        self._places.clear()
        with self._places:
            for kind, from_s, to_s in found.get("places", ()):
                told = f"{PLACES[kind]}, {from_s:.0f} to {to_s:.0f} s"
                shown.plain_button(told, partial(self._go_to, from_s, to_s))
            if found:
                shown.plain_button("the whole log", partial(self._go_to, float("-inf"), float("inf")))
        self._note.set_text(
            "Drag across the strip below the chart to look closer, or press a stretch. Shaded: it hunts."
            + (" The model's run is one of many that may be." if "model" in found.get("lines", {}) else "")
        )
        if found:
            shown.redraw(self._chart, log_options(found, self._look.palette, self._look.imperial))

    def _go_to(self, from_s: float, to_s: float) -> None:
        """Look at a stretch, with a little before and after it."""
        times = [point[0] for point in self._found["lines"]["rpm"]]
        around = AROUND * (to_s - from_s) if to_s < float("inf") else 0.0
        begin, end = max(from_s - around, times[0]), min(to_s + around, times[-1])
        act = {"type": "dataZoom", "dataZoomIndex": 1, "startValue": begin, "endValue": end}
        self._chart.run_chart_method("dispatchAction", act)
