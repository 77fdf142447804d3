"""Pieces of the page's charts, as options of ECharts: grids, axes, lines, the deadband, round scales."""

from __future__ import annotations

import math
from typing import Any

from workbench.page.look import Palette

LEAST_SPAN = 0.5
ROUNDED = """(value) => [value].flat().map(
  one => typeof one === 'number' ? String(Number(one.toPrecision(4))) : one).join(', ')"""
"""Writes a value beside the pointer; ECharts calls it."""
Options = dict[str, Any]
UNHEARD: Options = {"silent": True, "tooltip": {"show": False}}


def options(grid: Any, x: Any, y: Any, series: list[Options], trigger: str, **more: Any) -> Options:
    """A whole chart; what is told beside the pointer has no more digits than mean something."""
    return {
        "animation": False, "backgroundColor": "transparent", "grid": grid, "xAxis": x, "yAxis": y,
        "series": series, **more,
        "tooltip": {"trigger": trigger, "confine": True, "transitionDuration": 0,
                    ":valueFormatter": ROUNDED, "axisPointer": {"label": {"precision": 2}}},
    }  # fmt: skip


def rows(places: tuple[tuple[float | str, float], ...], right: int) -> list[Options]:
    """Grids one above the other: top [px, or a share of the chart] and height [%] of each."""
    return [{"left": 56, "right": right, "top": t, "height": f"{h}%"} for t, h in places]


def time_axis(
    grid: int, low: float, high: float, palette: Palette, labelled: bool, lines: bool, **label: Any
) -> Options:
    """A horizontal axis of seconds."""
    split = {"lineStyle": {"color": palette.line}} if lines else {"show": False}
    told = {"show": labelled, "color": palette.ink, "formatter": "{value} s", **label}
    return {
        "type": "value", "gridIndex": grid, "min": low, "max": high, "axisLabel": told, "splitLine": split,
    }  # fmt: skip


def y_axis(grid: int, name: str, palette: Palette, splits: int) -> Options:
    """A vertical axis with its name above it."""
    return {
        "type": "value", "gridIndex": grid, "name": name, "scale": True, "splitNumber": splits,
        "nameTextStyle": {"color": palette.ink, "align": "left", "padding": [0, 0, 0, -44]},
        "nameGap": 11, "axisLabel": {"color": palette.ink, "hideOverlap": True},
        "splitLine": {"lineStyle": {"color": palette.line}},
    }  # fmt: skip


def named_axis(name: str, palette: Palette, gap: int, **more: Any) -> Options:
    """An axis with its name beside its middle."""
    return {
        "type": "value", "name": name, "nameLocation": "middle", "nameGap": gap,
        "nameTextStyle": {"color": palette.ink}, "axisLabel": {"color": palette.ink},
        "splitLine": {"lineStyle": {"color": palette.line}}, **more,
    }  # fmt: skip


def line(
    name: str, row: int, colour: str, data: Any = (), *, width: float = 1.4, kind: str = "solid",
    steps: bool = False, **more: Any,
) -> Options:  # fmt: skip
    """A line in one of the grids; ``steps`` holds each value until the next point."""
    return {
        "type": "line", "name": name, "showSymbol": False, "xAxisIndex": row, "yAxisIndex": row,
        "color": colour, "lineStyle": {"width": width, "color": colour, "type": kind},
        "data": list(data), **({"step": "end"} if steps else {}), **more,
    }  # fmt: skip


def deadband(found: Options, palette: Palette) -> Options:
    """The deadband as a shade."""
    target, half = found["target_rpm"], found["deadband_rpm"]
    data = [[{"yAxis": target - half}, {"yAxis": target + half}]]
    return {"markArea": {"silent": True, "itemStyle": {"color": palette.band}, "data": data}}


def target_line(found: Options, palette: Palette, **label: Any) -> Options:
    """The target as a dashed line."""
    style = {"color": palette.ink, "type": "dashed", "width": 1}
    return {
        "markLine": {"silent": True, "symbol": "none", "animation": False, "lineStyle": style,
                     "label": label or {"show": False}, "data": [{"yAxis": found["target_rpm"]}]}
    }  # fmt: skip


def round_scale(low: float, high: float, most: int) -> dict[str, float]:
    """Ends and distance of the lines of an axis, all round numbers."""
    high = max(high, low + LEAST_SPAN)
    size = 10.0 ** math.floor(math.log10((high - low) / most))
    steps = (size, 2.0 * size, 5.0 * size, 10.0 * size, 20.0 * size)
    step = next(one for one in steps if math.ceil(high / one) - math.floor(low / one) <= most)
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    return {"min": low, "max": high, "interval": step}
