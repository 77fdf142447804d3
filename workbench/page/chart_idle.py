"""The chart of one idle: speed, valve and manifold pressure over time, and a rung for each position.

The rungs stand beside the speed axis, each at the steady speed of its position, with the deadband as a bar.
"""

from __future__ import annotations

from workbench.page import chart_parts
from workbench.page.chart_parts import Options
from workbench.page.look import Palette
from workbench.page.wish import LENGTH_s

LEAST_ABOUT_TARGET_rpm = 150.0
MOST_SPEED_LINES, MOST_VALVE_LINES, MOST_PRESSURE_LINES = 5, 3, 3
WIDTH_px, RUNGS_RIGHT_px = 74, 6
"""How wide the column of rungs is, and its distance from the edge."""
RIGHT_px = 24 + WIDTH_px
GRIDS = (("8%", 40), ("57%", 12), ("80%", 13))
REACHED, PASSED = "positions that moves of this size reach", "other positions"


def idle_frame(palette: Palette, pressure_unit: str) -> Options:
    """Everything of the chart but its data."""
    names = ("speed [rpm]", "valve [steps]", f"manifold [{pressure_unit}]")
    grids = chart_parts.rows(GRIDS, RIGHT_px)
    top, height = GRIDS[0]
    grids.append({"right": RUNGS_RIGHT_px, "width": WIDTH_px, "top": top, "height": f"{height}%"})
    more = {"interval": 5, "axisLine": {"lineStyle": {"color": palette.soft}}, "axisTick": {"show": False}}
    x_axes = [chart_parts.time_axis(i, 0, LENGTH_s, palette, i == 2, True) | more for i in range(3)]
    y_axes = [chart_parts.y_axis(i, name, palette, 4 if i == 0 else 2) for i, name in enumerate(names)]
    still: Options = {"emphasis": {"disabled": True}}
    lines = [
        chart_parts.line(names[0], 0, palette.speed, **still),
        chart_parts.line(names[1], 1, palette.valve, width=2, steps=True, **still),
        chart_parts.line("manifold pressure", 2, palette.pressure, width=1.2, **still),
    ]
    x_rungs, y_rungs, rungs = _rungs_frame(palette, 3)
    return chart_parts.options(
        grids, [*x_axes, x_rungs], [*y_axes, y_rungs], [*lines, *rungs], "axis",
        axisPointer={"link": [{"xAxisIndex": [0, 1, 2]}]}, textStyle={"color": palette.ink},
    )  # fmt: skip


def _rungs_frame(palette: Palette, grid: int) -> tuple[Options, Options, list[Options]]:
    """Both axes of the rungs and their lines, still without data."""
    hidden = {"show": False}
    across = {"type": "value", "gridIndex": grid, "min": 0, "max": 1, "show": False, "axisPointer": hidden}
    upward = {
        "type": "value", "gridIndex": grid, "splitNumber": 4, "name": "valve at", "nameGap": 11,
        "nameTextStyle": {"color": palette.ink, "align": "left", "padding": [0, 0, 0, 2]},
        **dict.fromkeys(("axisLabel", "axisTick", "axisLine", "splitLine", "axisPointer"), hidden),
    }  # fmt: skip
    plain = {
        **chart_parts.UNHEARD, "type": "scatter", "symbol": "rect", "clip": True, "data": [],
        "xAxisIndex": grid, "yAxisIndex": grid,
    }  # fmt: skip
    passed = {"name": PASSED, "symbolSize": [16, 1.5], "itemStyle": {"color": palette.soft}}
    label = {"show": True, "position": "right", "color": palette.ink, "fontSize": 11, "formatter": "{@[2]}"}
    reached = {"name": REACHED, "z": 5, "label": label, "labelLayout": {"hideOverlap": True}}
    return across, upward, [plain | passed, plain | reached]


def rungs_data(found: Options, palette: Palette) -> list[Options]:
    """The rungs, those that hold in bold, and the bar: two series, to be merged in this order."""
    low, high = found["bar"] or (0.0, -1.0)
    reached = []
    for steps, rpm in found["reached"]:
        holds = low <= rpm <= high
        reached.append(
            {
                "value": [0.36, rpm, steps], "symbolSize": [42, 5 if holds else 2.5],
                "itemStyle": {"color": palette.good if holds else palette.valve},
                "label": {"fontWeight": "bold" if holds else "normal"},
            }
        )  # fmt: skip
    style = {"color": palette.band, "borderColor": palette.speed, "borderWidth": 1.5}
    ends = [[{"xAxis": 0.02, "yAxis": low}, {"xAxis": 0.7, "yAxis": high}]]
    bar = {"silent": True, "itemStyle": style, "data": ends if found["holds"] is not None else []}
    return [{"data": [[0.36, rpm] for _, rpm in found["passed"]], "markArea": bar}, {"data": reached}]


def idle_data(run: Options, palette: Palette) -> Options:
    """What changes when a slider moves: the points, where the deadband lies, and the rungs."""
    target, half, around = run["target_rpm"], run["deadband_rpm"], LEAST_ABOUT_TARGET_rpm
    least, most = run["spans"]["rpm"]
    bottom, top = min(least, target - max(around, half)), max(most, target + max(around, half))
    label = {"formatter": "target", "position": "insideEndTop", "color": palette.ink}
    speed = {
        "data": run["rpm"],
        **chart_parts.deadband(run, palette),
        **chart_parts.target_line(run, palette, **label),
    }
    scale = chart_parts.round_scale(max(bottom, 0.0), top, MOST_SPEED_LINES)
    fewest, farthest = run["spans"]["valve_steps"]
    low = max(fewest - 1.0, 0.0)
    room = chart_parts.round_scale(low, max(farthest + 1.0, low + 2.0), MOST_VALVE_LINES)
    # The pressure is emptied: what is drawn there is of another run.
    lines = [speed, {"data": run["valve_steps"]}, {"data": []}]
    return {"series": [*lines, *rungs_data(run["rungs"], palette)], "yAxis": [scale, room, {}, scale]}


def pressure_data(points: list[list[float]]) -> Options:
    """The points of the pressure, to be merged."""
    values = [value for _, value in points]
    scale = chart_parts.round_scale(min(values), max(values), MOST_PRESSURE_LINES) if values else {}
    return {"series": [{}, {}, {"data": points}], "yAxis": [{}, {}, scale]}
