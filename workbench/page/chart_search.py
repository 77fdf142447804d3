"""Charts of a search: candidates between quiet, quick and wear; idle before and after."""

from __future__ import annotations

import math
from typing import Any

from workbench.page.chart_idle import round_scale, tooltip, y_axis
from workbench.page.look import Palette

LEAST_AXIS = 5.0
TRIED = "tried; size: valve moves a minute"
UNBEATEN = "no other beats it on all three"
CHOSEN = "best score, which weighs more than these three"
LEFT_px, RIGHT_px, PLOT_SHARE = 46, 12, "40%"
"""Room beside the two pictures, and how wide each of them is; one scale serves both."""


def front_option(points: list[list[float]], palette: Palette) -> dict[str, Any]:
    """Candidates tried: quiet to the left, quick at the bottom, wear as size."""
    quiet = sorted(point[0] for point in points)
    widest = quiet[int(0.9 * (len(quiet) - 1))] if quiet else LEAST_AXIS
    values = [
        {"value": [round(v, 2) for v in point], "symbolSize": 5.0 + math.sqrt(3.0 * point[2])}
        for point in points
    ]
    beaten = [value for value, point in zip(values, points, strict=True) if not point[4]]
    unbeaten = [value for value, point in zip(values, points, strict=True) if point[4]]
    plain = {"type": "scatter", "clip": True}
    return {
        "animation": False, "backgroundColor": "transparent",
        "grid": {"left": 52, "right": 16, "top": 84, "bottom": 46},
        "legend": {"top": 0, "left": 0, "orient": "vertical", "itemGap": 4, "itemHeight": 11,
                   "textStyle": {"color": palette.ink}},
        "xAxis": _axis("quiet: swing above the engine's own [rpm]", palette, 28)
        | round_scale(0.0, max(1.2 * widest, LEAST_AXIS), 6),
        "yAxis": _axis("quick: settling after a load [s]", palette, 34) | {"min": 0},
        "tooltip": tooltip("item"),
        "series": [
            {**plain, "name": TRIED, "data": beaten,
             "itemStyle": {"color": palette.soft, "opacity": 0.4}},
            {**plain, "name": UNBEATEN, "data": unbeaten,
             "itemStyle": {"color": palette.speed, "opacity": 0.8}, "z": 4},
            {**plain, "name": CHOSEN, "data": [value | {"symbolSize": 20} for value in values[:1]],
             "symbol": "diamond", "z": 5,
             # Hollow: it stands around its dot.
             "itemStyle": {"color": "transparent", "borderColor": palette.valve,
                           "borderWidth": 2.5}},
        ],
    }  # fmt: skip


def _axis(name: str, palette: Palette, gap: int) -> dict[str, Any]:
    return {
        "type": "value", "name": name, "nameLocation": "middle", "nameGap": gap,
        "nameTextStyle": {"color": palette.ink}, "axisLabel": {"color": palette.ink},
        "splitLine": {"lineStyle": {"color": palette.line}},
    }  # fmt: skip


def beside_option(runs: list[dict[str, Any]], palette: Palette) -> dict[str, Any]:
    """Speed and valve with present and proposed settings, side by side on one scale."""
    target = max(run["target_rpm"] for run in runs)
    lowest = min(value for run in runs for _, value in run["rpm"])
    steps = [value for run in runs for _, value in run["valve"]]
    length = max(run["rpm"][-1][0] for run in runs)
    # A blip goes far higher; its top tells nothing about the settings.
    speeds = round_scale(max(0.0, min(lowest, target - 150.0)), 1.45 * target, 5)
    valves = round_scale(max(0.0, min(steps) - 2.0), max(steps) + 2.0, 3)
    grids, x_axes, y_axes, series = [], [], [], []
    for place, run in enumerate(runs):
        name = ("now", "proposed")[place]
        for row, (top, height, scale) in enumerate(((12, 48, speeds), (74, 16, valves))):
            index = 2 * place + row
            side = {"left": LEFT_px} if place == 0 else {"right": RIGHT_px}
            grids.append(
                {**side, "width": PLOT_SHARE, "top": f"{top}%", "height": f"{height}%"}
            )  # fmt: skip
            x_axes.append(
                {"type": "value", "gridIndex": index, "min": 0, "max": length,
                 "splitNumber": 4,
                 "axisLabel": {"show": row == 1, "formatter": "{value} s", "color": palette.ink,
                               "alignMinLabel": "left", "alignMaxLabel": "right",
                               "hideOverlap": True},
                 "splitLine": {"lineStyle": {"color": palette.line}}}
            )  # fmt: skip
            words = f"{name}: speed [rpm]" if row == 0 else "valve [steps]"
            axis = y_axis(index, words, palette, 4 if row == 0 else 2) | scale
            indent = 8 - LEFT_px if place == 0 else 0
            axis["nameTextStyle"] = {**axis["nameTextStyle"], "padding": [0, 0, 0, indent]}
            axis["axisLabel"] = {**axis["axisLabel"], "show": place == 0}
            y_axes.append(axis)
            series.append(_line(run, row, index, palette))
    return {
        "animation": False, "backgroundColor": "transparent", "grid": grids, "xAxis": x_axes,
        "yAxis": y_axes, "series": series,
        "tooltip": tooltip("axis"),
    }  # fmt: skip


def _line(run: dict[str, Any], row: int, index: int, palette: Palette) -> dict[str, Any]:
    line: dict[str, Any] = {
        "type": "line", "showSymbol": False, "xAxisIndex": index, "yAxisIndex": index,
        "name": "speed [rpm]" if row == 0 else "valve [steps]",
        "data": run["rpm"] if row == 0 else run["valve"],
        "color": palette.speed if row == 0 else palette.valve, "lineStyle": {"width": 1.3},
    }  # fmt: skip
    if row == 1:
        return line | {"step": "end"}
    return line | {
        "markLine": {
            "silent": True, "symbol": "none", "label": {"show": False},
            "lineStyle": {"color": palette.ink, "type": "dashed", "width": 1},
            "data": [{"yAxis": run["target_rpm"]}],
        }
    }  # fmt: skip
