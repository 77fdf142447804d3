"""Beside the idle: chance of hunting, its cause, the map of two settings, and one cycle told."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any

import sim
from controllers import law_of
from workbench.page.beside import WORK
from workbench.page.chart_parts import UNHEARD, line, named_axis, options
from workbench.page.cycle_panel import CyclePanel
from workbench.page.frame import Page
from workbench.page.job_panel import JobPanel, Tab
from workbench.page.look import Palette
from workbench.page.shown import cautions, chart, heading, redraw, ui, within, words
from workbench.page.what_if import VersionsPanel, WhatIfPanel, likely_cause

AXIS_WORDS = {
    "min_move_steps": "minimum move [steps]", "deadband_rpm": "deadband, either side [rpm]",
    "gain_steps_per_100rpm": "gain [steps per 100 rpm]",
    "integral_steps_per_100rpm_s": "integral [steps per 100 rpm and s]",
}  # fmt: skip
_AT = """(params, api) => {
  const at = api.coord([api.value(0), api.value(1)]);
  const size = api.size([api.value(3), api.value(4)]);
"""
_CELL = (
    _AT
    + """  return {type: 'rect', shape: {x: at[0] - size[0] / 2, y: at[1] - size[1] / 2,
    width: size[0] + 0.5, height: size[1] + 0.5}, style: {fill: api.visual('color')}};
}"""
)
"""Draws one cell as wide as its step; ECharts calls it."""
_NUMBER = (
    _AT
    + """  const text = String(api.value(2));
  const font = [11, 9].find(px => 0.6 * px * text.length + 3 <= size[0] && px + 2 <= size[1]);
  if (!font) return;
  return {type: 'text', style: {x: at[0], y: at[1], text, font: font + 'px sans-serif',
    fill: api.value(5) ? '#ffffff' : '#000000', textAlign: 'center',
    textVerticalAlign: 'middle'}};
}"""
)
"""Writes how many hunt into a cell, smaller where it is narrow, and nothing where it has no room."""


def map_option(found: dict[str, Any], now: tuple[float, float], palette: Palette) -> dict[str, Any]:
    """Everything of the chart."""
    xs, ys = found["x"], found["y"]
    wide, tall = xs[1] - xs[0], ys[1] - ys[0]
    cells = [
        [x, y, round(found["runs"] * found["chance"][j][i]), wide, tall]
        for j, y in enumerate(ys)
        for i, x in enumerate(xs)
    ]
    right, top = xs[-1] + wide / 2, ys[-1] + tall / 2
    border = zip(found["border_x"], found["border_y"], strict=True)
    inside = [[x, y] for x, y in border if x <= 1.2 * right and y <= 1.2 * top]
    told = [AXIS_WORDS[found["x_key"]], AXIS_WORDS[found["y_key"]], f"starts that hunt, of {found['runs']}"]
    shades = {
        "name": "starts that hunt", "type": "custom", ":renderItem": _CELL, "clip": True, "data": cells,
        "encode": {"x": 0, "y": 1, "tooltip": [0, 1, 2]}, "dimensions": [*told, "wide", "tall"],
    }  # fmt: skip
    theory = line("theory", 0, palette.valve, inside, width=2.5, kind="dashed", clip=True, **UNHEARD)
    shading = {"show": False, "min": 0, "max": found["runs"], "dimension": 2, "seriesIndex": 0}
    return options(
        {"left": 52, "right": 12, "top": 14, "bottom": 44},
        _axis(found["x_key"], xs[0] - wide / 2, right, palette, 28),
        _axis(found["y_key"], ys[0] - tall / 2, top, palette, 36),
        [shades, _numbers(cells, found["runs"], palette), theory, mark(now, palette)], "item",
        visualMap=shading | {"inRange": {"color": [palette.least, palette.most]}},
    )  # fmt: skip


def _numbers(cells: list[list[float]], runs: int, palette: Palette) -> dict[str, Any]:
    """How many runs of each cell hunt, in figures, so that no colour need be told apart."""
    return {
        **UNHEARD, "name": "chance", "type": "custom", ":renderItem": _NUMBER, "clip": True, "z": 11,
        "data": [[*cell, int(white_ink(100.0 * cell[2] / runs, palette))] for cell in cells if cell[2] > 0],
        "encode": {"x": 0, "y": 1},
    }  # fmt: skip


def white_ink(chance: float, palette: Palette) -> bool:
    """Whether white is read better than black on a chance's shade: the better is never below 4.5 to 1.

    Source: relative luminance and contrast ratio of WCAG 2.1, from memory.
    """
    low, high = (
        [int(shade[i : i + 2], 16) / 255.0 for i in (1, 3, 5)] for shade in (palette.least, palette.most)
    )
    shade = [a + (b - a) * chance / 100.0 for a, b in zip(low, high, strict=True)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shade)
    over = 0.2126 * red + 0.7152 * green + 0.0722 * blue + 0.05
    return 1.05 / over > over / 0.05


def mark(now: tuple[float, float], palette: Palette) -> dict[str, Any]:
    """The present settings."""
    return {
        **UNHEARD, "name": "now", "type": "scatter", "data": [list(now)], "symbol": "diamond",
        "symbolSize": 26, "z": 10,
        # Hollow: the number of its cell is read through it.
        "itemStyle": {"color": "transparent", "borderColor": palette.valve, "borderWidth": 3},
    }  # fmt: skip


def _axis(key: str, low: float, high: float, palette: Palette, gap: int) -> dict[str, Any]:
    label = {"color": palette.ink, "showMinLabel": False, "showMaxLabel": False}
    more = {"splitLine": {"show": False}, "axisLine": {"lineStyle": {"color": palette.soft}}}
    return named_axis(AXIS_WORDS[key], palette, gap, min=low, max=high, axisLabel=label, **more)


THREE_LINES, FIVE_LINES = (f"min-height: {1.4 * n:.1f}em" for n in (3, 5))
"""Room for what comes later: a button must not move from under a finger."""
BORDERS = {
    "moves": "Above the dashed line some position always holds.",
    "gains": "Dashed: stability limit of the loop without steps.",
}
KEYS = {"left": (-1, 0), "right": (1, 0), "up": (0, 1), "down": (0, -1)}
"""Where the arrow keys go in the map."""
KINDS = {"moves": "minimum move, deadband", "gains": "gain, integral"}


class WhyPanel(Tab):
    """The panel beside what is explored."""

    def __init__(self, page: Page, explore: Any) -> None:
        super().__init__(page)
        self._explore, self._is_asked = explore, explore.is_asked
        self.kind = "moves"
        self._map: dict[str, Any] | None = None
        self._answered = False
        with within("card"):
            heading("Why does it hunt?")
            self._told = words("Working it out.").style(THREE_LINES)
            self._cause = words("", "soft").style(THREE_LINES)
        with within("card"):
            with within("line"):
                heading("Where does it hunt?")
                ui().toggle(KINDS, value=self.kind, on_change=self._other).props(
                    'dense no-caps unelevated padding="1px 8px" aria-label="which two settings"'
                )
            self.chart = chart(
                "map of hunting", "map", on_point_click=lambda e: self._go(explore.take, e.value)
            )
            self.chart.on(
                "chart:mouseover", lambda e: self._go(explore.preview, e.args.get("value")), ["value"]
            )
            self.chart.on("chart:globalout", lambda: explore.show_instead(None), [])
            self.chart.props('tabindex="0"')
            for key, way in KEYS.items():
                self.chart.on(f"keydown.{key}.prevent", partial(self._beside, *way))
            self._note = words("", "soft").style(FIVE_LINES)
        with within("card"):
            heading("Tell me this cycle", "Of the warm idle, whatever temperature is drawn.")
            self._job = JobPanel(
                self, "cycle", "Tell me this cycle", "Explaining", "work_explain:explain_work", self._tell,
                lambda: self.asked(car=self._supposed()),
                about=lambda: (self.session.car, self.session.wish.scatter_share),
            )  # fmt: skip
            self._story = words("", "told")
        cautions()
        self.look.redraw.append(self._draw)

    def _supposed(self) -> sim.Car:
        return self.session.wish.car(self.session.car)

    def _ask(self, work: str, *more: object) -> Awaitable[Any]:
        return self.page.runs.slow.ask(WORK + work, self._supposed(), self.session.wish.coolant_degC, *more)

    def build_what_ifs(self) -> None:
        """Build what stands below the idle."""
        self._what_ifs = WhatIfPanel(self.page, self._explore.show_instead, self._explore.take)
        self._versions = VersionsPanel(self.page, self._explore.changed)

    def build_below(self) -> None:
        """Build what has the whole width: the cycle, once it is told."""
        self._cycle = CyclePanel(self.look)
        self._job.show_found()

    async def refresh(self, asked: tuple[object, ...]) -> None:
        """Find chance and cause for what is shown; an answer for an older drawing is dropped."""
        chance = await self._ask("chance", self.session.seed)
        if not self._is_asked(asked):
            return
        self.judge(self._explore.verdict, chance["verdict"], f"big {'bad' if chance['bad'] else 'good'}")
        self._told.set_text(self.look.words(chance["text"]))
        self._cause.set_text("Finding what ends it." if chance["hunts"] else "")

    async def refresh_map(self, asked: tuple[object, ...]) -> None:
        """Find the map for what is shown."""
        found = await self._ask("hunting_map", self.kind, self.session.seed)
        if self._is_asked(asked):
            self._map, self._answered = found, True
            self._draw()

    async def refresh_what_ifs(self, asked: tuple[object, ...]) -> None:
        """Find what each change would do to the swing, and compare with what is pinned."""
        await self._versions.refresh()
        found = await self._ask("what_ifs", self.session.seed) if self._is_asked(asked) else []
        if self._is_asked(asked):
            self._what_ifs.show(found)
            if self._cause.text and found:
                self._cause.set_text(likely_cause(found))

    def tell_waiting(self, text: str) -> None:
        """Say what the answer waits for."""
        self.judge(self._explore.verdict, text, "big soft")

    def _now(self, found: dict[str, Any]) -> tuple[float, float]:
        feedback = self.session.car.feedback
        return float(getattr(feedback, found["x_key"])), float(getattr(feedback, found["y_key"]))

    def _draw(self) -> None:
        found = self._map
        if found is None:
            self._note.set_text(self._why_no_map() if self._answered else "")
            self.chart.run_chart_method("clear")
            return
        redraw(self.chart, map_option(found, self._now(found), self.look.palette))
        self._note.set_text(
            f"Numbers: how many of {found['runs']} starting conditions hunt, without combustion variation;"
            f" empty: none. {BORDERS[self.kind]}"
            " Diamond: your settings. Point at a cell to see its idle; click, or use the arrow"
            " keys, to move there."
        )

    def _why_no_map(self) -> str:
        feedback = self.session.car.feedback
        if not feedback.acts:
            return "No map: feedback is off."
        if self.kind == "gains" and not law_of(feedback).has_gains:
            return "No map: this law has no gain and no integral."
        return "No map: the engine swings by itself, or no position gives the target."

    def mark_now(self) -> None:
        """Move the mark to the present settings while the map itself waits."""
        found = self._map
        if found is not None:
            point = mark(self._now(found), self.look.palette)
            self.chart.run_chart_method("setOption", {"series": [{}, {}, {}, point]})

    def _other(self, event: Any) -> None:
        self.kind = event.value
        self._explore.changed()

    def _cell(self, at: Any) -> dict[str, float]:
        """Settings of the cell of the map at a place."""
        found = self._map
        if found is None or not isinstance(at, list):
            return {}
        x, y = (min(found[key], key=lambda one: abs(one - at[i])) for i, key in enumerate("xy"))
        x = int(x) if found["x_key"].endswith("_steps") else round(x, 1)
        return {found["x_key"]: x, found["y_key"]: round(y, 1)}

    def _beside(self, right: int, up: int) -> None:
        """Go one cell further by the keyboard."""
        found = self._map
        if found is None:
            return
        places = []
        for values, now, by in zip((found["x"], found["y"]), self._now(found), (right, up), strict=True):
            at = min(range(len(values)), key=lambda i: abs(values[i] - now))
            places.append(values[min(max(at + by, 0), len(values) - 1)])
        self._explore.take(**self._cell(places))

    def _go(self, act: Callable[..., None], at: Any) -> None:
        """Show or take the cell at a place."""
        if cell := self._cell(at):
            act(**cell)

    def _tell(self, result: Any) -> None:
        self._story.set_text(self.look.words("\n".join(result["lines"])))
        self._cycle.show(result["cycle"])
