"""One cycle, stepped through: a pin lit in every line, in the loop, and in words beside it."""

from __future__ import annotations

from functools import partial
from html import escape
from typing import TYPE_CHECKING, Any

from workbench.page.chart_cycle import cycle_option, orbit_option
from workbench.page.shown import card, chart, html, plain_button, redraw, status, within, words

if TYPE_CHECKING:
    from workbench.page.look import Look

PARTS = (
    ("speed", "Speed", "is measured"), ("controller", "Controller", "compares and decides"),
    ("valve", "Valve", "moves in steps"), ("engine", "Engine", "fills, burns, turns"),
)  # fmt: skip
"""The loop, in the order in which it acts: key, name, and what it does."""
ACTS = {
    "told": "controller", "there": "valve", "crosses": "speed", "leaves": "controller",
    "peak": "engine", "trough": "engine",
}  # fmt: skip
"""Part of the loop that acts at a moment of a kind."""


class CyclePanel:
    """The panel."""

    def __init__(self, look: Look) -> None:
        self._look = look
        self._found: dict[str, Any] | None = None
        self._at = 0

    def build(self) -> None:
        """Build it, not to be seen before there is a cycle."""
        back, on = partial(self._go, -1), partial(self._go, 1)
        with card("one cycle", "card cycle") as self._place:
            self._place.props('tabindex="0"')
            self._place.on("keydown.right.prevent", on).on("keydown.left.prevent", back)
            self._title = words("", "big")
            with within("line"):
                plain_button("Back", back, 'aria-label="the moment before"')
                plain_button("Next", on, 'aria-label="the next moment"')
                self._told = status("moment").props('aria-live="polite"')
            with within("orbit"):
                self._lines = self._chart("speed, valve and pressure over one cycle")
                with within(""):
                    self._orbit = self._chart("speed against position of the valve")
                    self._loop = html()
            self._note = words("", "soft")
        self._place.set_visibility(False)
        self._look.redraw.append(self._draw)

    def show(self, found: dict[str, Any] | None) -> None:
        """Show a cycle, or nothing where there is none."""
        self._found, self._at = found, 0
        self._place.set_visibility(found is not None)
        self._draw()

    def _chart(self, told: str) -> Any:
        made = chart(told, "chart", on_point_click=lambda e: self._point(e.data))
        return made.on("chart:mouseover", lambda e: self._point(e.args.get("data")), ["data"])

    def _point(self, data: Any) -> None:
        value = data.get("value") if isinstance(data, dict) else None
        if isinstance(value, list) and len(value) == 3 and int(value[2]) != self._at:
            self._at = int(value[2])
            self._draw()

    def _go(self, by: int) -> None:
        if self._found is not None:
            self._at = (self._at + by) % len(self._found["moments"])
            self._draw()

    def _draw(self) -> None:
        found = self._found
        if found is None:
            return
        palette, moment = self._look.palette, found["moments"][self._at]
        redraw(self._lines, cycle_option(found, self._at, palette, self._look.imperial))
        redraw(self._orbit, orbit_option(found, self._at, palette))
        self._title.set_text(self._look.words(title(found)))
        count = len(found["moments"])
        text = f"{str(moment['text']).removesuffix('.')}."
        when = f"{self._at + 1} of {count}, at {moment['at_s']:.2f} s, {moment['rpm']:.0f} rpm"
        self._told.set_text(self._look.words(f"{when}: {text}"))
        self._loop.set_content(loop_html(ACTS.get(moment["kind"], "engine")))
        self._note.set_text(why(found))


def title(found: dict[str, Any]) -> str:
    """How long and how large the cycle is."""
    speeds = [rpm for _, rpm in found["orbit"]]
    steps = [v for t, v in found["lines"]["valve_steps"] if 0.0 <= t <= found["period_s"]]
    return (
        f"One cycle: {found['period_s']:.1f} s, {max(speeds) - min(speeds):.0f} rpm peak to peak,"
        f" valve between {min(steps):.0f} and {max(steps):.0f} steps."
    )


def why(found: dict[str, Any]) -> str:
    """What the picture of speed against position shows."""
    half, target = found["deadband_rpm"], found["target_rpm"]
    rests = [steps for steps, rpm in found["reached"] if abs(rpm - target) <= half]
    told = (
        "Right: speed against where the valve is. Bars: where speed would settle at the positions"
        f" reached by moves of {found['move_steps']}. Shade: deadband. "
    )
    if rests:
        named = " or ".join(f"{one:.0f}" for one in rests[:2])
        return f"{told}A bar lies in it, at {named} steps, but the loop passes by without settling."
    return f"{told}No bar lies in it: the loop can hold nowhere and goes round."


def loop_html(acting: str) -> str:
    """The loop as boxes with arrows; the part that acts is marked."""
    boxes = []
    for key, name, does in PARTS:
        mark = ' class="acts" aria-current="step"' if key == acting else ""
        boxes.append(f"<li{mark}><b>{escape(name)}</b><span>{escape(does)}</span></li>")
    return f'<ol class="loop" aria-label="the loop">{"".join(boxes)}</ol>'
