"""Charts of a search: candidates between quiet, quick and wear; idle before and after."""

from __future__ import annotations

import math
from typing import Any

from workbench.page.chart_parts import line, named_axis, options, round_scale, target_line, time_axis, y_axis
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
        named_axis("quiet: swing above the engine's own [rpm]", palette, 28, **quiet_scale),
        named_axis("quick: settling after a load [s]", palette, 34, min=0),
        [{"type": "scatter", "clip": True, **one} for one in dots],
        "item",
        legend=legend | {"textStyle": {"color": palette.ink}},
    )


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
    inside = {"alignMinLabel": "left", "alignMaxLabel": "right", "hideOverlap": True}
    for place, run in enumerate(runs):
        name = ("now", "proposed")[place]
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
