"""The chart of a start: speed, valve and temperatures, up to the moment that is played."""

from __future__ import annotations

import math
from typing import Any

from workbench import units
from workbench.page.chart_idle import y_axis
from workbench.page.look import Palette

GRIDS = ((9, 40), (58, 15), (83, 10))


def start_frame(found: dict[str, Any], palette: Palette, imperial: bool) -> dict[str, Any]:
    """Everything of the chart but its data.

    Parameters
    ----------
    found : dict
        Of ``work_start.start_work``.
    palette : Palette
        Colours.
    imperial : bool
        Units of temperature.

    Returns
    -------
    dict
        Options of ECharts.
    """
    names = (
        "speed [rpm]", "valve [steps]", f"temperature [{units.written('degC', imperial)}]",
    )  # fmt: skip
    shades = [
        [{"xAxis": begin, "name": name if end - begin > 0.04 * found["length_s"] else ""},
         {"xAxis": end}]
        for name, begin, end, _ in found["phases"][::2]
    ]  # fmt: skip
    highest = max(value for _, value in found["lines"]["rpm"])
    axes = [y_axis(i, name, palette, 3 if i == 0 else 2) for i, name in enumerate(names)]
    axes[0] |= {"min": 0, "max": 500.0 * math.ceil(1.03 * highest / 500.0)}
    axes[1] |= {"min": 0, "minInterval": 1}
    x_axes = [
        {"type": "value", "gridIndex": i, "min": 0, "max": found["length_s"],
         "axisLabel": {"show": i == 2, "formatter": "{value} s", "color": palette.ink},
         "splitLine": {"show": False}}
        for i in range(3)
    ]  # fmt: skip
    lines = _lines(palette)
    lines[0]["markArea"] = {
        "silent": True, "itemStyle": {"color": palette.band}, "data": shades,
        "label": {"color": palette.ink, "position": "insideTop"},
    }  # fmt: skip
    return {
        "animation": False, "backgroundColor": "transparent",
        "grid": [{"left": 56, "right": 24, "top": f"{t}%", "height": f"{h}%"} for t, h in GRIDS],
        "xAxis": x_axes, "yAxis": axes, "series": lines,
        "legend": {"type": "scroll", "itemWidth": 26, "itemGap": 8,
                   "top": 0, "left": 90, "right": 6,
                   "textStyle": {"color": palette.ink},
                   "pageTextStyle": {"color": palette.ink}, "pageIconColor": palette.speed,
                   "data": ["speed", "target", "valve", "base curve", "engine", "oil"]},
        "tooltip": {"trigger": "axis", "confine": True, "transitionDuration": 0},
    }  # fmt: skip


def _lines(palette: Palette) -> list[dict[str, Any]]:
    kinds: tuple[tuple[str, int, str, str, bool], ...] = (
        ("speed", 0, palette.speed, "solid", False),
        ("target", 0, palette.ink, "dashed", True),
        ("valve", 1, palette.valve, "solid", True),
        ("base curve", 1, palette.soft, "dotted", True),
        ("engine", 2, palette.pressure, "solid", False),
        ("oil", 2, palette.ink, "dashed", False),
    )
    made = []
    for name, row, colour, kind, steps in kinds:
        line: dict[str, Any] = {
            "type": "line", "name": name, "showSymbol": False, "xAxisIndex": row,
            "yAxisIndex": row, "color": colour, "data": [],
            "lineStyle": {"width": 1.4, "type": kind},
        }  # fmt: skip
        made.append(line | ({"step": "end"} if steps else {}))
    return made


def start_data(found: dict[str, Any], until_s: float, imperial: bool) -> dict[str, Any]:
    """The points up to a moment.

    Parameters
    ----------
    found : dict
        Of ``work_start.start_work``.
    until_s : float
        The moment [s].
    imperial : bool
        Units of temperature.

    Returns
    -------
    dict
        Options of ECharts, to be merged.
    """
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
