"""The chart of a start: speed, valve and temperatures, up to the moment that is played."""

from __future__ import annotations

import math
from typing import Any

from workbench.page.chart_parts import line, options, rows, time_axis, y_axis
from workbench.page.look import Palette
from workbench.words import units
from workbench.words.wording import filled, worded

GRIDS = ((60, 37), ("60%", 15), ("84%", 9))
"""Top [px, or share of the chart] and height [%] of each row, below two lines of legend."""
PLOT_SHARE, LETTER_px = 0.85, 6.2
"""Share of the window that the plot has where it matters, and about how wide a letter is [px]."""


def start_frame(found: dict[str, Any], palette: Palette, imperial: bool) -> dict[str, Any]:
    """Everything of the chart but its data."""
    names = ("speed [rpm]", "valve [steps]", f"temperature [{units.written('degC', imperial)}]")
    length = found["length_s"]
    shades = [
        [{"xAxis": begin, "name": name, "label": _fitting(name, (end - begin) / length)}, {"xAxis": end}]
        for name, begin, end, _ in found["phases"][::2]
    ]
    highest = max(value for _, value in found["lines"]["rpm"])
    axes = [y_axis(i, name, palette, 3 if i == 0 else 2) for i, name in enumerate(names)]
    axes[0] |= {"min": 0, "max": 500.0 * math.ceil(1.03 * highest / 500.0)}
    axes[1] |= {"min": 0, "minInterval": 1}
    x_axes = [time_axis(i, 0, length, palette, i == 2, False) for i in range(3)]
    lines = _lines(palette, found["engine"])
    lines[0]["markArea"] = {
        "silent": True, "itemStyle": {"color": palette.band}, "data": shades,
        "label": {"color": palette.ink, "position": "insideTop"},
    }  # fmt: skip
    legend = {"itemWidth": 20, "itemHeight": 10, "itemGap": 8, "top": 0, "left": 0,
              "textStyle": {"color": palette.ink}, "data": [one["name"] for one in lines]}  # fmt: skip
    return options(rows(GRIDS, 24), x_axes, axes, lines, "axis", legend=legend)


def _fitting(name: str, share: float) -> dict[str, str]:
    """A label left out in the browser where its band is too narrow for it."""
    narrow = LETTER_px * len(name) / (PLOT_SHARE * share) if share > 0.0 else 1e9
    return {":formatter": f"() => window.innerWidth > {narrow:.0f} ? '{name}' : ''"}


def _lines(palette: Palette, engine: str) -> list[dict[str, Any]]:
    return [
        line("speed", 0, palette.speed),
        line("target", 0, palette.ink, kind="dashed", steps=True),
        line("valve", 1, palette.valve, steps=True),
        line("base curve", 1, palette.soft, kind="dotted", steps=True),
        line(engine, 2, palette.heat),
        line("oil", 2, palette.ink, kind="dashed"),
    ]


def moment(found: dict[str, Any], at_s: float, imperial: bool) -> str:
    """What the engine does at a moment, by the last points drawn."""
    now: dict[str, float] = {}
    for name, points in found["lines"].items():
        until = [value for time_s, value in points if time_s <= at_s]
        if until:
            now[name] = until[-1]
    here = [name for name, begin, end, _ in found["phases"] if begin <= at_s < end]
    told = []
    if "rpm" in now:
        told.append(f"speed {now['rpm']:.0f} rpm")
    if "valve_steps" in now:
        told.append(f"valve {now['valve_steps']:.0f} steps")
    for name, words in (("coolant_degC", found["engine"]), ("oil_degC", "oil")):
        if name in now:
            told.append(filled(words + " {now_degC:.0f}", {"now_degC": now[name]}, imperial))
    phase = f", {here[0]}" if here else ""
    return f"{at_s:.1f} s{phase}: {', '.join(told)}" if told else f"{at_s:.1f} s{phase}"


def past_phases(found: dict[str, Any], at_s: float, imperial: bool) -> list[str]:
    """Phases that are over at a moment, with what happened in them."""
    return [
        f"{name}, {begin:.1f} to {end:.1f} s: {worded(text, imperial)}"
        for name, begin, end, text in found["phases"]
        if end <= at_s
    ]


def start_data(found: dict[str, Any], until_s: float, imperial: bool) -> dict[str, Any]:
    """The points up to a moment."""
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
