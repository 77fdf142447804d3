"""The chart of one idle: speed, valve and manifold pressure over one time axis."""

from __future__ import annotations

import math
from typing import Any

from workbench.page.chart_rungs import RIGHT_px as RUNGS_RIGHT_px
from workbench.page.chart_rungs import WIDTH_px, rungs_data, rungs_frame
from workbench.page.look import Palette
from workbench.page.wish import LENGTH_s

LEAST_ABOUT_TARGET_rpm = 150.0
LEAST_SPAN = 0.5
MOST_SPEED_LINES, MOST_VALVE_LINES, MOST_PRESSURE_LINES = 5, 3, 3
ROUNDED = """(value) => [value].flat().map(
  one => typeof one === 'number' ? String(Number(one.toPrecision(4))) : one).join(', ')"""
"""Writes a value beside the pointer; ECharts calls it."""
RIGHT_px = 24 + WIDTH_px
GRIDS = ((8, 40), (57, 12), (80, 13))
"""Top and height of each row, in hundredths of the chart."""


def idle_frame(palette: Palette, pressure_unit: str) -> dict[str, Any]:
    """Everything of the chart but its data."""
    names = ("speed [rpm]", "valve [steps]", f"manifold [{pressure_unit}]")
    grids: list[dict[str, Any]] = [
        {"left": 56, "right": RIGHT_px, "top": f"{t}%", "height": f"{h}%"} for t, h in GRIDS
    ]
    top, height = GRIDS[0]
    beside: dict[str, Any] = {"right": RUNGS_RIGHT_px, "width": WIDTH_px}
    grids.append({**beside, "top": f"{top}%", "height": f"{height}%"})
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
    x_rungs, y_rungs, rungs = rungs_frame(palette, 3)
    x_axes.append(x_rungs)
    y_axes.append(y_rungs)
    return {
        "animation": False, "backgroundColor": "transparent", "grid": grids, "xAxis": x_axes,
        "yAxis": y_axes, "series": [*_lines(palette), *rungs],
        "tooltip": tooltip("axis"),
        "axisPointer": {"link": [{"xAxisIndex": [0, 1, 2]}]},
        "textStyle": {"color": palette.ink},
    }  # fmt: skip


def tooltip(trigger: str) -> dict[str, Any]:
    """What is told beside the pointer, in no more digits than mean something."""
    return {
        "trigger": trigger, "confine": True, "transitionDuration": 0,
        ":valueFormatter": ROUNDED, "axisPointer": {"label": {"precision": 2}},
    }  # fmt: skip


def y_axis(grid: int, name: str, palette: Palette, splits: int) -> dict[str, Any]:
    """A vertical axis with its name above it."""
    return {
        "type": "value", "gridIndex": grid, "name": name, "scale": True, "splitNumber": splits,
        "nameTextStyle": {"color": palette.ink, "align": "left", "padding": [0, 0, 0, -44]},
        "nameGap": 11, "axisLabel": {"color": palette.ink, "hideOverlap": True},
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


def idle_data(run: dict[str, Any], palette: Palette) -> dict[str, Any]:
    """What changes when a slider moves: the points, where the deadband lies, and the rungs."""
    target, half = run["target_rpm"], run["deadband_rpm"]
    low, high = target - half, target + half
    around = LEAST_ABOUT_TARGET_rpm
    least, most = run["spans"]["rpm"]
    bottom, top = min(least, target - around, low), max(most, target + around, high)
    speed = {
        "data": run["rpm"],
        "markArea": {
            "silent": True, "itemStyle": {"color": palette.band},
            "data": [[{"yAxis": low}, {"yAxis": high}]],
        },
        "markLine": {
            "silent": True, "symbol": "none", "animation": False,
            "label": {"formatter": "target", "position": "insideEndTop", "color": palette.ink},
            "lineStyle": {"color": palette.ink, "type": "dashed", "width": 1},
            "data": [{"yAxis": target}],
        },
    }  # fmt: skip
    scale = round_scale(max(bottom, 0.0), top, MOST_SPEED_LINES)
    fewest, farthest = run["spans"]["valve_steps"]
    low = max(fewest - 1.0, 0.0)
    room = round_scale(low, max(farthest + 1.0, low + 2.0), MOST_VALVE_LINES)
    lines = [speed, {"data": run["valve_steps"]}, {"data": []}]
    return {
        "series": [*lines, *rungs_data(run["rungs"], palette)], "yAxis": [scale, room, {}, scale],
    }  # fmt: skip


def pressure_data(points: list[list[float]]) -> dict[str, Any]:
    """The points of the pressure."""
    values = [value for _, value in points]
    scale = round_scale(min(values), max(values), MOST_PRESSURE_LINES) if values else {}
    return {"series": [{}, {}, {"data": points}], "yAxis": [{}, {}, scale]}


def round_scale(low: float, high: float, most: int) -> dict[str, float]:
    """Ends and distance of the lines of an axis, all round numbers."""
    high = max(high, low + LEAST_SPAN)
    size = 10.0 ** math.floor(math.log10((high - low) / most))
    steps = (size, 2.0 * size, 5.0 * size, 10.0 * size, 20.0 * size)
    step = next(one for one in steps if math.ceil(high / one) - math.floor(low / one) <= most)
    return {
        "min": math.floor(low / step) * step, "max": math.ceil(high / step) * step, "interval": step
    }  # fmt: skip
