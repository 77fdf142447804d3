"""The charts of one cycle: its lines with numbered pins, and speed against position."""

from __future__ import annotations

import math
from typing import Any

from workbench.page.chart_idle import round_scale, tooltip, y_axis
from workbench.page.look import Palette
from workbench.words import units

ROWS = (("rpm", 10, 38), ("valve_steps", 57, 15), ("map_kPa", 81, 12))
"""Line, top and height of each row, in hundredths of the chart."""
ROOM = 0.18
"""Share of an axis that is left above and below the lines, for the numbers."""
PIN_px, LIT_px = 17, 27


def cycle_option(found: dict[str, Any], at: int, palette: Palette, imperial: bool) -> dict[str, Any]:
    """Speed, valve and pressure over one period, with a pin for each moment; one is lit."""
    names = ("speed [rpm]", "valve [steps]", f"manifold [{units.written('kPa', imperial)}]")
    grids, x_axes, y_axes, series = [], [], [], []
    for row, ((key, top, height), name) in enumerate(zip(ROWS, names, strict=True)):
        points = [[t, _shown(key, v, imperial)] for t, v in found["lines"][key]]
        grids.append({"left": 56, "right": 16, "top": f"{top}%", "height": f"{height}%"})
        x_axes.append(
            {"type": "value", "gridIndex": row, "min": round(found["from_s"], 2),
             "max": round(found["to_s"], 2), "splitLine": {"show": False},
             "axisLabel": {"show": row == 2, "color": palette.ink, "formatter": "{value} s",
                           "showMinLabel": False, "showMaxLabel": False}}
        )  # fmt: skip
        low, high = _ends([value for _, value in points], found if row == 0 else None)
        y_axes.append(
            y_axis(row, name, palette, 3 if row == 0 else 2)
            | round_scale(low, high, 5 if row == 0 else 3)
            | {"axisLine": {"onZero": False}}
        )
        series.append(_line(key, row, points, palette))
        series.append(_pins(key, row, found["moments"], at, palette, imperial))
    series[0] |= _band(found, palette)
    lit = found["moments"][at]["at_s"]
    for line in series[2::2]:
        line["markLine"] = _cursor(lit, palette)
    series[0]["markLine"]["data"].append(_cursor(lit, palette)["data"][0])
    return {
        "animation": False, "backgroundColor": "transparent", "grid": grids, "xAxis": x_axes,
        "yAxis": y_axes, "series": series, "tooltip": tooltip("item"),
    }  # fmt: skip


def orbit_option(found: dict[str, Any], at: int, palette: Palette) -> dict[str, Any]:
    """Speed against position: the closed way that is gone round, and where the valve could hold."""
    xs, ys = zip(*found["orbit"], strict=True)
    least, most = math.floor(min(xs)) - 2, math.ceil(max(xs)) + 2
    low, high = _ends(list(ys), found)
    within = [one for one in found["settled"] if least <= one[0] <= most]
    reached = [one for one in found["reached"] if least <= one[0] <= most]
    axis = {"nameTextStyle": {"color": palette.ink}, "axisLabel": {"color": palette.ink}}
    plain = {"silent": True, "clip": True, "tooltip": {"show": False}}
    return {
        "animation": False, "backgroundColor": "transparent",
        "grid": {"left": 56, "right": 16, "top": 34, "bottom": 44},
        "xAxis": {"type": "value", "name": "valve, where it is [steps]", "min": least, "max": most,
                  "nameLocation": "middle", "nameGap": 28, "minInterval": 1,
                  "splitLine": {"show": False}, **axis},
        "yAxis": y_axis(0, "speed [rpm]", palette, 5) | round_scale(low, high, 6),
        "tooltip": tooltip("item"),
        "series": [
            {**plain, "type": "line", "name": "settled speed", "data": within, "showSymbol": False,
             "lineStyle": {"color": palette.soft, "width": 1.2, "type": "dotted"},
             "markArea": {"silent": True, "itemStyle": {"color": palette.band},
                          "data": [[{"yAxis": found["target_rpm"] - found["deadband_rpm"]},
                                    {"yAxis": found["target_rpm"] + found["deadband_rpm"]}]]}},
            {**plain, "type": "line", "name": "the cycle", "data": found["orbit"],
             "showSymbol": False, "lineStyle": {"color": palette.speed, "width": 1.8}},
            {**plain, "type": "scatter", "name": "could hold", "data": reached,
             "symbol": "rect", "symbolSize": [44, 5], "itemStyle": {"color": palette.valve},
             "z": 6},
            _pin_series(
                [[one["opening_steps"], one["rpm"]] for one in found["moments"]], at, palette
            ),
        ],
    }  # fmt: skip


def _shown(key: str, value: float, imperial: bool) -> float:
    return float(units.shown(value, "kPa", imperial)) if key == "map_kPa" else value


def _ends(values: list[float], found: dict[str, Any] | None) -> tuple[float, float]:
    """Ends of an axis with room for numbers; with the deadband in it where there is one."""
    low, high = min(values), max(values)
    if found is not None:
        low = min(low, found["target_rpm"] - found["deadband_rpm"])
        high = max(high, found["target_rpm"] + found["deadband_rpm"])
    room = ROOM * max(high - low, 1e-3)
    return low - room, high + room


def _line(key: str, row: int, points: list[list[float]], palette: Palette) -> dict[str, Any]:
    colours = {"rpm": palette.speed, "valve_steps": palette.valve, "map_kPa": palette.pressure}
    return {
        "type": "line", "name": key, "data": points, "showSymbol": False, "silent": True,
        "xAxisIndex": row, "yAxisIndex": row, "color": colours[key], "step": "end",
        "lineStyle": {"width": 1.7, "color": colours[key]}, "tooltip": {"show": False},
    }  # fmt: skip


def _pins(
    key: str, row: int, moments: list[dict[str, Any]], at: int, palette: Palette, imperial: bool
) -> dict[str, Any]:
    """Pins of one row; pressure bears only the one that is lit."""
    places = [[one["at_s"], _shown(key, one[key], imperial)] for one in moments]
    return _pin_series(places, at, palette, alone=row == 2) | {
        "xAxisIndex": row, "yAxisIndex": row,
    }  # fmt: skip


def _pin_series(places: list[list[float]], at: int, palette: Palette, alone: bool = False) -> dict[str, Any]:
    data: list[dict[str, Any]] = []
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


def _band(found: dict[str, Any], palette: Palette) -> dict[str, Any]:
    target, half = found["target_rpm"], found["deadband_rpm"]
    return {
        "markArea": {"silent": True, "itemStyle": {"color": palette.band},
                     "data": [[{"yAxis": target - half}, {"yAxis": target + half}]]},
        "markLine": {
            "silent": True, "symbol": "none", "label": {"show": False},
            "lineStyle": {"color": palette.ink, "type": "dashed", "width": 1},
            "data": [{"yAxis": target}],
        },
    }  # fmt: skip


def _cursor(at_s: float, palette: Palette) -> dict[str, Any]:
    return {
        "silent": True, "symbol": "none", "label": {"show": False},
        "data": [
            {"xAxis": at_s, "lineStyle": {"color": palette.ink, "type": "solid", "width": 1.2}}
        ],
    }  # fmt: skip
