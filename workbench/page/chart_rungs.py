"""Beside the speed axis: a rung for each position of the valve, and the deadband as a bar."""

from __future__ import annotations

from typing import Any

from workbench.page.look import Palette

WIDTH_px, RIGHT_px = 74, 6
"""How wide the column is, and its distance from the edge."""
REACHED, PASSED = "positions that moves of this size reach", "other positions"


def rungs_frame(palette: Palette, grid: int) -> tuple[dict[str, Any], dict[str, Any], list[Any]]:
    """The column's axes and its lines, still without data."""
    nothing = {"show": False, "axisPointer": {"show": False}}
    x_axis = {"type": "value", "gridIndex": grid, "min": 0, "max": 1, **nothing}
    y_axis = {
        "type": "value", "gridIndex": grid, "axisLabel": {"show": False}, "splitNumber": 4,
        "axisTick": {"show": False}, "axisLine": {"show": False}, "splitLine": {"show": False},
        "name": "valve at", "nameGap": 11,
        "nameTextStyle": {"color": palette.ink, "align": "left", "padding": [0, 0, 0, 2]},
        "axisPointer": {"show": False},
    }  # fmt: skip
    plain = {
        "type": "scatter", "symbol": "rect", "silent": True, "clip": True, "data": [],
        "xAxisIndex": grid, "yAxisIndex": grid, "tooltip": {"show": False},
    }  # fmt: skip
    passed = {
        **plain, "name": PASSED, "symbolSize": [16, 1.5], "itemStyle": {"color": palette.soft},
    }  # fmt: skip
    reached = {
        **plain, "name": REACHED, "z": 5,
        "label": {"show": True, "position": "right", "color": palette.ink, "fontSize": 11,
                  "formatter": "{@[2]}"},
        "labelLayout": {"hideOverlap": True},
    }  # fmt: skip
    return x_axis, y_axis, [passed, reached]


def rungs_data(found: dict[str, Any], palette: Palette) -> list[dict[str, Any]]:
    """The rungs, those that hold in bold, and the bar."""
    low, high = found["bar"] or (0.0, -1.0)
    lines = []
    for steps, rpm in found["reached"]:
        holds = low <= rpm <= high
        lines.append(
            {
                "value": [0.36, rpm, steps], "symbolSize": [42, 5 if holds else 2.5],
                "itemStyle": {"color": palette.good if holds else palette.valve},
                "label": {"fontWeight": "bold" if holds else "normal"},
            }
        )  # fmt: skip
    bar = {
        "silent": True,
        "itemStyle": {"color": palette.band, "borderColor": palette.speed, "borderWidth": 1.5},
        "data": [[{"xAxis": 0.02, "yAxis": low}, {"xAxis": 0.7, "yAxis": high}]]
        if found["holds"] is not None
        else [],
    }  # fmt: skip
    return [{"data": [[0.36, rpm] for _, rpm in found["passed"]], "markArea": bar}, {"data": lines}]
