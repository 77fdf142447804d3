"""Figure of one cycle told: speed and valve, with the moments of its telling marked."""

from __future__ import annotations

import numpy as np

import tuning
from workbench.figures.rungs import draw_orbit, draw_rungs
from workbench.output.drawing import BLACK, GREY, PALE, RED, SPEED, VALVE, Axes, Figure, new_figure, styled
from workbench.words.wording import in_words

MOMENT_MARKS = {
    "told": ("D", VALVE),
    "there": (".", VALVE),
    "crosses": ("o", BLACK),
    "leaves": ("s", GREY),
    "peak": ("^", RED),
    "trough": ("v", RED),
}


def _number_moments(axes: Axes, moments: list[tuning.Moment], values: list[float]) -> None:
    """Mark moments and number them, the same numbers in both panels."""
    for number, (one, value) in enumerate(zip(moments, values, strict=True), start=1):
        marker, colour = MOMENT_MARKS[one.kind]
        axes.plot(one.at_s, value, marker, color=colour, markersize=5, zorder=5)
        above = number % 2 == 1
        axes.annotate(
            str(number), (one.at_s, value), xytext=(0, 7 if above else -14), fontsize=8,
            textcoords="offset points", ha="center",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4, "alpha": 0.8},
        )  # fmt: skip


def story_title(story: tuning.Story) -> str:
    """Say how long and large the cycle is, and between which positions."""
    inside = (story.time_s >= 0.0) & (story.time_s <= story.period_s)
    told, swing = story.valve_steps[inside], float(np.ptp(story.rpm[inside]))
    return (
        f"One cycle of {story.period_s:.1f} s, {swing:.0f} rpm peak to peak:"
        f" the valve goes to and fro between {told.min():.0f} and {told.max():.0f}"
    )


def _room_below(axes: Axes) -> None:
    """Leave room for numbers above the curves, and for the legend below them."""
    low, high = axes.get_ylim()
    axes.set_ylim(low - 0.36 * (high - low), high + 0.1 * (high - low))


def _short(text: str) -> str:
    """The part of a moment's sentence that fits beside a figure."""
    for words in ("it is told", "the valve is told"):
        if words in text:
            return f"told {text.rpartition(words)[2].strip()}"
    return text


@styled()
def story_figure(story: tuning.Story) -> Figure:
    """Draw one period of the hunting with the moments of its telling marked."""
    moments = [one for one in story.moments if one.kind != "there"]
    figure = new_figure((9.6, 6.2))
    grid = figure.add_gridspec(2, 3, width_ratios=(1.75, 0.4, 1.2), height_ratios=(1.25, 1.0))
    speed = figure.add_subplot(grid[0, 0])
    rungs = figure.add_subplot(grid[0, 1], sharey=speed)
    valve = figure.add_subplot(grid[1, 0], sharex=speed)
    beside, orbit = figure.add_subplot(grid[0, 2]), figure.add_subplot(grid[1, 1:])
    low, high = (story.target_rpm + sign * story.deadband_rpm for sign in (-1.0, 1.0))
    speed.axhspan(low, high, color=PALE, linewidth=0, label="deadband")
    speed.axhline(story.target_rpm, color=BLACK, linestyle="--", linewidth=0.9, label="target")
    speed.step(story.time_s, story.rpm, where="post", color=SPEED, label="speed as measured")
    _number_moments(speed, moments, [one.rpm for one in moments])
    speed.set_ylabel("speed [rpm]")
    figure.suptitle(story_title(story), fontsize=10, x=0.01, ha="left")
    _room_below(speed)
    speed.legend(loc="lower left", ncols=3)
    valve.step(
        story.time_s, story.wanted_steps, where="post", color=GREY, linewidth=1.0,
        linestyle="-.", label="wanted by the law",
    )  # fmt: skip
    valve.step(story.time_s, story.valve_steps, where="post", color=VALVE, label="commanded")
    valve.step(
        story.time_s, story.opening_steps, where="post", color=BLACK, linestyle=":", label="true position"
    )
    _number_moments(valve, moments, [one.valve_steps for one in moments])
    valve.set(ylabel="valve [steps]", xlabel="time since the move that opens it [s]")
    _room_below(valve)
    valve.legend(loc="lower left", ncols=3)
    _tell_beside(beside, moments)
    draw_rungs(rungs, story)
    draw_orbit(orbit, story, list(range(1, len(moments))))
    return figure


def _tell_beside(axes: Axes, moments: list[tuning.Moment]) -> None:
    """Write the moments as a numbered list."""
    import textwrap

    axes.axis("off")
    lines = []
    for number, one in enumerate(moments, start=1):
        text = textwrap.wrap(f"{number}  {one.at_s:.2f} s  {_short(in_words(one.text))}", 44)
        lines += [text[0], *(f"     {rest}" for rest in text[1:])]
    axes.text(0.0, 1.0, "\n".join(lines), transform=axes.transAxes, va="top", fontsize=8.2)
