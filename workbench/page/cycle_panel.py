"""One cycle, stepped through: a pin lit in every line, in the loop, and in words beside it."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

from workbench.page import chart_parts
from workbench.page.chart_parts import Options
from workbench.page.look import Look, Palette
from workbench.page.shown import card, chart, html, plain_button, redraw, status, within, words
from workbench.words import units

KEYS = ("rpm", "valve_steps", "map_kPa")
GRIDS = (("10%", 38), ("57%", 15), ("81%", 12))
ROOM = 0.18  # Share of an axis that is left above and below the lines, for the numbers.
PIN_px, LIT_px = 17, 27


def cycle_option(found: Options, at: int, palette: Palette, imperial: bool) -> Options:
    """Speed, valve and pressure over one period, with a pin for each moment; one is lit."""
    names = ("speed [rpm]", "valve [steps]", f"manifold [{units.written('kPa', imperial)}]")
    colours = (palette.speed, palette.valve, palette.pressure)
    x_axes, y_axes, series = [], [], []
    ends = (round(found["from_s"], 2), round(found["to_s"], 2))
    style = {"color": palette.ink, "type": "solid", "width": 1.2}
    data = [{"xAxis": found["moments"][at]["at_s"], "lineStyle": style}]
    cursor = {"silent": True, "symbol": "none", "label": {"show": False}, "data": data}
    for row, (key, name, colour) in enumerate(zip(KEYS, names, colours, strict=True)):
        points = [[t, _shown(key, v, imperial)] for t, v in found["lines"][key]]
        inside = {"showMinLabel": False, "showMaxLabel": False}
        x_axes.append(chart_parts.time_axis(row, *ends, palette, row == 2, False, **inside))
        low, high = _ends([value for _, value in points], found if row == 0 else None)
        scale = chart_parts.round_scale(low, high, 5 if row == 0 else 3) | {"axisLine": {"onZero": False}}
        y_axes.append(chart_parts.y_axis(row, name, palette, 3 if row == 0 else 2) | scale)
        drawn = chart_parts.line(key, row, colour, points, width=1.7, steps=True, **chart_parts.UNHEARD)
        places = [[one["at_s"], _shown(key, one[key], imperial)] for one in found["moments"]]
        pins = _pins(places, at, palette, alone=row == 2) | {"xAxisIndex": row, "yAxisIndex": row}
        series += [drawn | {"markLine": cursor}, pins]
    series[0] |= chart_parts.deadband(found, palette) | chart_parts.target_line(found, palette)
    series[0]["markLine"]["data"] += cursor["data"]
    return chart_parts.options(chart_parts.rows(GRIDS, 16), x_axes, y_axes, series, "item")


def orbit_option(found: Options, at: int, palette: Palette) -> Options:
    """Speed against position: the closed way that is gone round, and where the valve could hold."""
    xs, ys = zip(*found["orbit"], strict=True)
    least, most = math.floor(min(xs)) - 2, math.ceil(max(xs)) + 2
    low, high = _ends(list(ys), found)
    within, reached = (
        [one for one in found[key] if least <= one[0] <= most] for key in ("settled", "reached")
    )
    plain = {**chart_parts.UNHEARD, "clip": True}
    bars = {"type": "scatter", "name": "could hold", "data": reached, "symbol": "rect",
            "symbolSize": [44, 5], "itemStyle": {"color": palette.valve}, "z": 6}  # fmt: skip
    moments = [[one["opening_steps"], one["rpm"]] for one in found["moments"]]
    series = [
        chart_parts.line("settled speed", 0, palette.soft, within, width=1.2, kind="dotted", **plain)
        | chart_parts.deadband(found, palette),
        chart_parts.line("the cycle", 0, palette.speed, found["orbit"], width=1.8, **plain),
        plain | bars,
        _pins(moments, at, palette),
    ]
    unlined = {"min": least, "max": most, "minInterval": 1, "splitLine": {"show": False}}
    x_axis = chart_parts.named_axis("valve, where it is [steps]", palette, 28, **unlined)
    speed = chart_parts.y_axis(0, "speed [rpm]", palette, 5) | chart_parts.round_scale(low, high, 6)
    return chart_parts.options(
        {"left": 56, "right": 16, "top": 34, "bottom": 44}, x_axis, speed, series, "item"
    )


def _shown(key: str, value: float, imperial: bool) -> float:
    return float(units.shown(value, "kPa", imperial)) if key == "map_kPa" else value


def _ends(values: list[float], found: Options | None) -> tuple[float, float]:
    """Ends of an axis with room for numbers; with the deadband in it where there is one."""
    low, high = min(values), max(values)
    if found is not None:
        low = min(low, found["target_rpm"] - found["deadband_rpm"])
        high = max(high, found["target_rpm"] + found["deadband_rpm"])
    room = ROOM * max(high - low, 1e-3)
    return low - room, high + room


def _pins(places: list[list[float]], at: int, palette: Palette, alone: bool = False) -> Options:
    """Numbered pins; ``alone``, only the one that is lit, which else lies on top of its neighbours."""
    data: list[Options] = [
        {
            "value": [*place, number], "name": str(number + 1), "symbolSize": LIT_px if lit else PIN_px,
            "itemStyle": {"color": palette.ink if lit else palette.card,
                          "borderColor": palette.ink, "borderWidth": 1.2, "opacity": 1},
            "label": {"show": True, "formatter": str(number + 1), "fontSize": 13 if lit else 11,
                      "fontWeight": "bold", "color": palette.card if lit else palette.ink},
        }
        for number, place in sorted(enumerate(places), key=lambda one: one[0] == at)
        for lit in [number == at]
        if lit or not alone
    ]  # fmt: skip
    return {"type": "scatter", "name": "moments", "data": data, "z": 8, "tooltip": {"show": False}}


PARTS = (
    ("speed", "Speed", "is measured"), ("controller", "Controller", "compares and decides"),
    ("valve", "Valve", "moves in steps"), ("engine", "Engine", "fills, burns, turns"),
)  # fmt: skip
"""The loop, in the order in which it acts: key, name, and what it does."""
ACTS = {
    "told": "controller", "there": "valve", "crosses": "speed", "leaves": "controller",
    "peak": "engine", "trough": "engine",
}  # fmt: skip
"""Part of the loop that acts at a moment of a kind."""


class CyclePanel:
    """The panel, not to be seen before there is a cycle."""

    def __init__(self, look: Look) -> None:
        self._look = look
        self._found: dict[str, Any] | None = None
        self._at = 0
        back, on = partial(self._go, -1), partial(self._go, 1)
        with card("one cycle", "card cycle") as self._place:
            self._place.props('tabindex="0"')
            self._place.on("keydown.right.prevent", on).on("keydown.left.prevent", back)
            self._title = words("", "big")
            with within("line"):
                plain_button("Back", back, 'aria-label="the moment before"')
                plain_button("Next", on, 'aria-label="the next moment"')
                self._told = status("moment").props('aria-live="polite"')
            with within("orbit"):
                self._lines = self._chart("speed, valve and pressure over one cycle")
                with within(""):
                    self._orbit = self._chart("speed against position of the valve")
                    self._loop = html()
            self._note = words("", "soft")
        self._place.set_visibility(False)
        self._look.redraw.append(self._draw)

    def show(self, found: dict[str, Any] | None) -> None:
        """Show a cycle, or nothing where there is none."""
        self._found, self._at = found, 0
        self._place.set_visibility(found is not None)
        self._draw()

    def _chart(self, told: str) -> Any:
        made = chart(told, "chart", on_point_click=lambda e: self._point(e.data))
        return made.on("chart:mouseover", lambda e: self._point(e.args.get("data")), ["data"])

    def _point(self, data: Any) -> None:
        value = data.get("value") if isinstance(data, dict) else None
        if isinstance(value, list) and len(value) == 3 and int(value[2]) != self._at:
            self._at = int(value[2])
            self._draw()

    def _go(self, by: int) -> None:
        if self._found is not None:
            self._at = (self._at + by) % len(self._found["moments"])
            self._draw()

    def _draw(self) -> None:
        found = self._found
        if found is None:
            return
        palette, moment = self._look.palette, found["moments"][self._at]
        redraw(self._lines, cycle_option(found, self._at, palette, self._look.imperial))
        redraw(self._orbit, orbit_option(found, self._at, palette))
        self._title.set_text(self._look.words(title(found)))
        count = len(found["moments"])
        text = f"{str(moment['text']).removesuffix('.')}."
        when = f"{self._at + 1} of {count}, at {moment['at_s']:.2f} s, {moment['rpm']:.0f} rpm"
        self._told.set_text(self._look.words(f"{when}: {text}"))
        self._loop.set_content(loop_html(ACTS.get(moment["kind"], "engine")))
        self._note.set_text(why(found))


def title(found: dict[str, Any]) -> str:
    """How long and how large the cycle is."""
    speeds = [rpm for _, rpm in found["orbit"]]
    steps = [v for t, v in found["lines"]["valve_steps"] if 0.0 <= t <= found["period_s"]]
    return (
        f"One cycle: {found['period_s']:.1f} s, {max(speeds) - min(speeds):.0f} rpm peak to peak,"
        f" valve between {min(steps):.0f} and {max(steps):.0f} steps."
    )


def why(found: dict[str, Any]) -> str:
    """What the picture of speed against position shows."""
    half, target = found["deadband_rpm"], found["target_rpm"]
    rests = [steps for steps, rpm in found["reached"] if abs(rpm - target) <= half]
    told = (
        "Right: speed against where the valve is. Bars: where speed would settle at the positions"
        f" reached by moves of {found['move_steps']}. Shade: deadband. "
    )
    if rests:
        named = " or ".join(f"{one:.0f}" for one in rests[:2])
        return f"{told}A bar lies in it, at {named} steps, but the loop passes by without settling."
    return f"{told}No bar lies in it: the loop can hold nowhere and goes round."


def loop_html(acting: str) -> str:
    """The loop as boxes with arrows; the part that acts is marked."""
    marks = {acting: ' class="acts" aria-current="step"'}
    boxes = (f"<li{marks.get(key, '')}><b>{name}</b><span>{does}</span></li>" for key, name, does in PARTS)
    return f'<ol class="loop" aria-label="the loop">{"".join(boxes)}</ol>'
