"""The chart of the hunting map: chance as shade and number, the present settings as a mark."""

from __future__ import annotations

from typing import Any

from workbench.page.chart_parts import UNHEARD, line, named_axis, options
from workbench.page.look import Palette

AXIS_WORDS = {
    "min_move_steps": "minimum move [steps]",
    "deadband_rpm": "deadband, either side [rpm]",
    "gain_steps_per_100rpm": "gain [steps per 100 rpm]",
    "integral_steps_per_100rpm_s": "integral [steps per 100 rpm and s]",
}
_CELL = """(params, api) => {
  const at = api.coord([api.value(0), api.value(1)]);
  const size = api.size([api.value(3), api.value(4)]);
  return {type: 'rect', shape: {x: at[0] - size[0] / 2, y: at[1] - size[1] / 2,
    width: size[0] + 0.5, height: size[1] + 0.5}, style: {fill: api.visual('color')}};
}"""
"""Draws one cell as wide as its step; ECharts calls it."""
_NUMBER = """(params, api) => {
  const at = api.coord([api.value(0), api.value(1)]);
  const size = api.size([api.value(3), api.value(4)]);
  const text = String(api.value(2));
  const font = [11, 9].find(px => 0.6 * px * text.length + 3 <= size[0] && px + 2 <= size[1]);
  if (!font) return;
  return {type: 'text', style: {x: at[0], y: at[1], text, font: font + 'px sans-serif',
    fill: api.value(5) ? '#ffffff' : '#000000', textAlign: 'center',
    textVerticalAlign: 'middle'}};
}"""
"""Writes the chance into a cell, smaller where it is narrow, and nothing where it has no room."""


def map_option(found: dict[str, Any], now: tuple[float, float], palette: Palette) -> dict[str, Any]:
    """Everything of the chart."""
    xs, ys = found["x"], found["y"]
    wide, tall = xs[1] - xs[0], ys[1] - ys[0]
    cells = [
        [x, y, round(100.0 * found["chance"][j][i]), wide, tall]
        for j, y in enumerate(ys)
        for i, x in enumerate(xs)
    ]
    right, top = xs[-1] + wide / 2, ys[-1] + tall / 2
    border = zip(found["border_x"], found["border_y"], strict=True)
    inside = [[x, y] for x, y in border if x <= 1.2 * right and y <= 1.2 * top]
    told = [AXIS_WORDS[found["x_key"]], AXIS_WORDS[found["y_key"]], "hunts from, of 100 starting places"]
    shades = {
        "name": "of 100 hunt", "type": "custom", ":renderItem": _CELL, "clip": True, "data": cells,
        "encode": {"x": 0, "y": 1, "tooltip": [0, 1, 2]}, "dimensions": [*told, "wide", "tall"],
    }  # fmt: skip
    theory = line("theory", 0, palette.valve, inside, width=2.5, kind="dashed", clip=True, **UNHEARD)
    shading = {"show": False, "min": 0, "max": 100, "dimension": 2, "seriesIndex": 0}
    return options(
        {"left": 52, "right": 12, "top": 14, "bottom": 44},
        _axis(found["x_key"], xs[0] - wide / 2, right, palette, 28),
        _axis(found["y_key"], ys[0] - tall / 2, top, palette, 36),
        [shades, _numbers(cells, palette), theory, mark(now, palette)],
        "item",
        visualMap=shading | {"inRange": {"color": [palette.least, palette.most]}},
    )


def _numbers(cells: list[list[float]], palette: Palette) -> dict[str, Any]:
    """The chance of each cell that hunts, in figures, so that no colour need be told apart."""
    return {
        "name": "chance", "type": "custom", ":renderItem": _NUMBER, "clip": True, "silent": True,
        "data": [[*cell, int(white_ink(cell[2], palette))] for cell in cells if cell[2] > 0],
        "encode": {"x": 0, "y": 1}, "tooltip": {"show": False}, "z": 11,
    }  # fmt: skip


def white_ink(chance: float, palette: Palette) -> bool:
    """Tell whether white is read better than black on the shade of a chance.

    Gives by contrast: the better of the two is never below 4.5 to 1.

    Source: contrast ratio of WCAG 2.1, from memory; black and white, 21 to 1 apart, are equally
    good at a luminance of 0.18.
    """
    low, high = (_rgb(shade) for shade in (palette.least, palette.most))
    shade = [a + (b - a) * chance / 100.0 for a, b in zip(low, high, strict=True)]
    over = _luminance(shade) + 0.05
    return 1.05 / over > over / 0.05


def _rgb(shade: str) -> list[float]:
    return [int(shade[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]


def _luminance(rgb: list[float]) -> float:
    """Relative luminance of sRGB, 0 to 1; source: WCAG 2.1, from memory."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def mark(now: tuple[float, float], palette: Palette) -> dict[str, Any]:
    """The present settings."""
    return {
        "name": "now", "type": "scatter", "data": [list(now)], "symbol": "diamond",
        "symbolSize": 26, "z": 10, "silent": True, "tooltip": {"show": False},
        # Hollow: the number of its cell is read through it.
        "itemStyle": {"color": "transparent", "borderColor": palette.valve, "borderWidth": 3},
    }  # fmt: skip


def _axis(key: str, low: float, high: float, palette: Palette, gap: int) -> dict[str, Any]:
    label = {"color": palette.ink, "showMinLabel": False, "showMaxLabel": False}
    more = {
        "axisLabel": label,
        "splitLine": {"show": False},
        "axisLine": {"lineStyle": {"color": palette.soft}},
    }
    return named_axis(AXIS_WORDS[key], palette, gap, min=low, max=high) | more


def nearest_cell(found: dict[str, Any], x: float, y: float) -> tuple[float, float]:
    """Values of the cell nearest to a click."""
    return (
        min(found["x"], key=lambda value: abs(value - x)),
        min(found["y"], key=lambda value: abs(value - y)),
    )
