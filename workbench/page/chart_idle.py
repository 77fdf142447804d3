"""The chart of one idle: speed, valve and manifold pressure over one time axis."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from workbench.page.live import LENGTH_s, View
from workbench.page.look import Palette
from workbench.page.points import changes, thinned

MOST_POINTS = 480
"""A line is sent as no more: about one point a pixel and a half on a laptop."""
ROUND_TO_rpm = 50.0
LEAST_ABOUT_TARGET_rpm = 150.0
GRIDS = ((8, 44), (61, 13), (84, 9))
"""Top and height of each row, in hundredths of the chart."""


def idle_frame(palette: Palette, pressure_unit: str) -> dict[str, Any]:
    """Everything of the chart but its data.

    Parameters
    ----------
    palette : Palette
        Colours.
    pressure_unit : str
        Unit of pressure as it is shown.

    Returns
    -------
    dict
        Options of ECharts.
    """
    names = ("speed [rpm]", "valve [steps]", f"manifold [{pressure_unit}]")
    grids = [{"left": 56, "right": 14, "top": f"{t}%", "height": f"{h}%"} for t, h in GRIDS]
    x_axes = [
        {
            "type": "value", "gridIndex": i, "min": 0, "max": LENGTH_s, "interval": 5,
            "axisLabel": {"show": i == 2, "color": palette.ink, "formatter": "{value} s"},
            "axisLine": {"lineStyle": {"color": palette.soft}}, "axisTick": {"show": False},
            "splitLine": {"lineStyle": {"color": palette.line}},
        }
        for i in range(3)
    ]  # fmt: skip
    y_axes = [y_axis(i, name, palette, 4 if i == 0 else 2) for i, name in enumerate(names)]
    y_axes[1]["minInterval"] = 1
    return {
        "animation": False, "backgroundColor": "transparent", "grid": grids, "xAxis": x_axes,
        "yAxis": y_axes, "series": [*_lines(palette)],
        "tooltip": {"trigger": "axis", "confine": True, "transitionDuration": 0},
        "axisPointer": {"link": [{"xAxisIndex": "all"}]},
        "textStyle": {"color": palette.ink},
    }  # fmt: skip


def y_axis(grid: int, name: str, palette: Palette, splits: int) -> dict[str, Any]:
    """A vertical axis with its name above it.

    Parameters
    ----------
    grid : int
        Row.
    name : str
        With its unit.
    palette : Palette
        Colours.
    splits : int
        About how many lines.

    Returns
    -------
    dict
        Options of ECharts.
    """
    return {
        "type": "value", "gridIndex": grid, "name": name, "scale": True, "splitNumber": splits,
        "nameTextStyle": {"color": palette.ink, "align": "left", "padding": [0, 0, 0, -44]},
        "nameGap": 8, "axisLabel": {"color": palette.ink},
        "splitLine": {"lineStyle": {"color": palette.line}},
    }  # fmt: skip


def _lines(palette: Palette) -> list[dict[str, Any]]:
    plain = {"type": "line", "showSymbol": False, "data": [], "emphasis": {"disabled": True}}
    return [
        {
            **plain, "name": "speed [rpm]", "xAxisIndex": 0, "yAxisIndex": 0,
            "color": palette.speed, "lineStyle": {"width": 1.4, "color": palette.speed},
        },
        {
            **plain, "name": "valve [steps]", "xAxisIndex": 1, "yAxisIndex": 1, "step": "end",
            "color": palette.valve, "lineStyle": {"width": 2, "color": palette.valve},
        },
        {
            **plain, "name": "manifold pressure", "xAxisIndex": 2, "yAxisIndex": 2,
            "color": palette.pressure, "lineStyle": {"width": 1.2, "color": palette.pressure},
        },
    ]  # fmt: skip


def idle_data(view: View, palette: Palette) -> dict[str, Any]:
    """What changes when a slider moves: the points, and where the deadband lies.

    Parameters
    ----------
    view : View
        The run.
    palette : Palette
        Colours.

    Returns
    -------
    dict
        Options of ECharts, to be merged; the pressure is dimmed until its own points follow.
    """
    low, high = view.target_rpm - view.deadband_rpm, view.target_rpm + view.deadband_rpm
    around = LEAST_ABOUT_TARGET_rpm
    bottom = min(float(np.min(view.rpm)), view.target_rpm - around, low)
    top = max(float(np.max(view.rpm)), view.target_rpm + around, high)
    speed = {
        "data": thinned(view.time_s, view.rpm, MOST_POINTS),
        "markArea": {
            "silent": True, "itemStyle": {"color": palette.band},
            "data": [[{"yAxis": low}, {"yAxis": high}]],
        },
        "markLine": {
            "silent": True, "symbol": "none", "animation": False,
            "label": {"formatter": "target", "position": "insideEndTop", "color": palette.ink},
            "lineStyle": {"color": palette.ink, "type": "dashed", "width": 1},
            "data": [{"yAxis": view.target_rpm}],
        },
    }  # fmt: skip
    valve = {"data": changes(view.time_s, view.valve_steps, MOST_POINTS)}
    scale = {
        "min": max(0.0, math.floor(bottom / ROUND_TO_rpm) * ROUND_TO_rpm),
        "max": math.ceil(top / ROUND_TO_rpm) * ROUND_TO_rpm,
    }
    steps = view.valve_steps
    room = {"min": max(0.0, float(np.min(steps)) - 2.0), "max": float(np.max(steps)) + 2.0}
    return {"series": [speed, valve, _dimmed(palette, 0.25)], "yAxis": [scale, room, {}]}


def pressure_data(time_s: Any, pressure: Any, palette: Palette) -> dict[str, Any]:
    """The points of the pressure.

    Parameters
    ----------
    time_s, pressure : numpy.ndarray
        Shape (samples,) [s, as shown].
    palette : Palette
        Colours.

    Returns
    -------
    dict
        Options of ECharts, to be merged.
    """
    line = _dimmed(palette, 1.0) | {"data": thinned(time_s, pressure, MOST_POINTS, 2)}
    return {"series": [{}, {}, line]}


def _dimmed(palette: Palette, opacity: float) -> dict[str, Any]:
    return {"lineStyle": {"width": 1.2, "color": palette.pressure, "opacity": opacity}}
