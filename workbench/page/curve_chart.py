"""An open-loop curve as a picture whose points are dragged up and down; the table beside it says the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from workbench.page import shown
from workbench.page.chart_parts import Options, named_axis, options
from workbench.page.look import Look
from workbench.page.shown import ui
from workbench.words import units

Pairs = Sequence[tuple[float, float]]
_DRAG = """
const begin = (left) => {
  const at = getElement(%d);
  if (!at || !at.chart) { if (left) setTimeout(() => begin(left - 1), 100); return; }
  const chart = at.chart, zr = chart.getZr();
  let held = -1, steps = 0;
  chart.on('mousedown', {seriesIndex: 0}, (one) => { held = one.dataIndex; });
  zr.on('mousemove', (one) => {
    if (held < 0) return;
    const data = chart.getOption().series[0].data.map((point) => [...point]);
    const there = chart.convertFromPixel({gridIndex: 0}, [one.offsetX, one.offsetY]);
    steps = Math.max(0, Math.round(there[1]));
    data[held][1] = steps;
    chart.setOption({series: [{data}]});
  });
  const drop = () => { if (held >= 0) at.$emit('moved', [held, steps]); held = -1; };
  zr.on('mouseup', drop); zr.on('globalout', drop);
};
begin(100);
"""
"""Moves a point with the pointer in the browser; the server hears where it was left."""


def curve_options(own: Pairs, proposed: Pairs, look: Look) -> Options:
    """The curve with its points, and a proposal as a dashed line."""
    palette = look.palette

    def points(pairs: Pairs) -> list[list[float]]:
        return [[round(units.shown(at, "degC", look.imperial), 2), steps] for at, steps in pairs]

    axes = [
        named_axis(units.written("degC", look.imperial), palette, 22, scale=True),
        named_axis("steps", palette, 30, min=0),
    ]
    drawn = [
        {"type": "line", "name": "the car's", "data": points(own), "symbol": "circle", "symbolSize": 13,
         "color": palette.valve, "lineStyle": {"width": 2, "color": palette.valve}},
        {"type": "line", "name": "proposed", "data": points(proposed), "showSymbol": False, "silent": True,
         "color": palette.ink, "lineStyle": {"width": 1.4, "type": "dashed", "color": palette.ink}},
    ]  # fmt: skip
    grid = {"left": 46, "right": 12, "top": 12, "bottom": 36}
    return options(grid, axes[0], axes[1], drawn, "item")


class CurveChart:
    """The picture; ``moved`` hears which point was left at how many steps."""

    def __init__(self, name: str, look: Look, moved: Callable[[int, float], None]) -> None:
        self._look = look
        self._chart = shown.chart(f"{name}: drag a point up or down", "curve-chart")
        self._chart.on("moved", lambda e: moved(int(e.args[0]), float(e.args[1])))
        ui().timer(0.2, lambda: ui().run_javascript(_DRAG % self._chart.id), once=True)

    def draw(self, own: Pairs, proposed: Any) -> None:
        """Draw both as they are now."""
        shown.redraw(self._chart, curve_options(own, proposed or (), self._look))
