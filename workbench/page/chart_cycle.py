"""The charts of one cycle: its lines with numbered pins, and speed against position."""

from __future__ import annotations

import math

from workbench.page import chart_parts
from workbench.page.chart_parts import Options
from workbench.page.look import Palette
from workbench.words import units

KEYS = ("rpm", "valve_steps", "map_kPa")
GRIDS = (("10%", 38), ("57%", 15), ("81%", 12))
ROOM = 0.18
"""Share of an axis that is left above and below the lines, for the numbers."""
PIN_px, LIT_px = 17, 27


def cycle_option(found: Options, at: int, palette: Palette, imperial: bool) -> Options:
    """Speed, valve and pressure over one period, with a pin for each moment; one is lit."""
    names = ("speed [rpm]", "valve [steps]", f"manifold [{units.written('kPa', imperial)}]")
    colours = (palette.speed, palette.valve, palette.pressure)
    x_axes, y_axes, series = [], [], []
    ends = (round(found["from_s"], 2), round(found["to_s"], 2))
    cursor = _cursor(found["moments"][at]["at_s"], palette)
    for row, (key, name, colour) in enumerate(zip(KEYS, names, colours, strict=True)):
        points = [[t, _shown(key, v, imperial)] for t, v in found["lines"][key]]
        inside = {"showMinLabel": False, "showMaxLabel": False}
        x_axes.append(chart_parts.time_axis(row, *ends, palette, row == 2, False, **inside))
        low, high = _ends([value for _, value in points], found if row == 0 else None)
        scale = chart_parts.round_scale(low, high, 5 if row == 0 else 3) | {"axisLine": {"onZero": False}}
        y_axes.append(chart_parts.y_axis(row, name, palette, 3 if row == 0 else 2) | scale)
        drawn = chart_parts.line(key, row, colour, points, width=1.7, steps=True, **chart_parts.UNHEARD)
        series += [drawn | {"markLine": cursor}, _pins(key, row, found["moments"], at, palette, imperial)]
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
        _pin_series(moments, at, palette),
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


def _pins(key: str, row: int, moments: list[Options], at: int, palette: Palette, imperial: bool) -> Options:
    """Pins of one row; pressure bears only the one that is lit."""
    places = [[one["at_s"], _shown(key, one[key], imperial)] for one in moments]
    return _pin_series(places, at, palette, alone=row == 2) | {"xAxisIndex": row, "yAxisIndex": row}


def _pin_series(places: list[list[float]], at: int, palette: Palette, alone: bool = False) -> Options:
    data: list[Options] = []
    for number, place in enumerate(places):
        lit = number == at
        if alone and not lit:
            continue
        data.append(
            {
                "value": [*place, number], "name": str(number + 1),
                "symbolSize": LIT_px if lit else PIN_px,
                "itemStyle": {"color": palette.ink if lit else palette.card,
                              "borderColor": palette.ink, "borderWidth": 1.2, "opacity": 1},
                "label": {"show": True, "formatter": str(number + 1), "fontSize": 13 if lit else 11,
                          "fontWeight": "bold", "color": palette.card if lit else palette.ink},
            }
        )  # fmt: skip
    # The one that is lit lies on top of its neighbours.
    data.sort(key=lambda one: one["value"][2] == at)
    return {"type": "scatter", "name": "moments", "data": data, "z": 8, "tooltip": {"show": False}}


def _cursor(at_s: float, palette: Palette) -> Options:
    style = {"color": palette.ink, "type": "solid", "width": 1.2}
    data = [{"xAxis": at_s, "lineStyle": style}]
    return {"silent": True, "symbol": "none", "label": {"show": False}, "data": data}
