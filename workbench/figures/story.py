"""Figure of one cycle told: speed, valve and the positions it could hold, with the moments of its telling."""

from __future__ import annotations

import numpy as np

import tuning
from workbench.output import drawing as ink
from workbench.output.drawing import Axes, Figure, new_figure, styled
from workbench.words.wording import in_words

MOMENT_MARKS = {
    "told": ("D", ink.VALVE), "there": (".", ink.VALVE), "crosses": ("o", ink.BLACK),
    "leaves": ("s", ink.GREY), "peak": ("^", ink.RED), "trough": ("v", ink.RED),
}  # fmt: skip


def _number_moments(axes: Axes, moments: list[tuning.Moment], values: list[float]) -> None:
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


@styled()
def story_figure(story: tuning.Story) -> Figure:
    """Draw one period of the hunting with the moments of its telling marked."""
    moments = [one for one in story.moments if one.kind != "there"]
    figure = new_figure(6.3)
    grid = figure.add_gridspec(3, 2, width_ratios=(1.9, 1.0), height_ratios=(1.35, 1.1, 0.9))
    speed = figure.add_subplot(grid[0, 0])
    rungs = figure.add_subplot(grid[0, 1], sharey=speed)
    valve = figure.add_subplot(grid[1, 0], sharex=speed)
    beside, orbit = figure.add_subplot(grid[2, :]), figure.add_subplot(grid[1, 1])
    low, high = (story.target_rpm + sign * story.deadband_rpm for sign in (-1.0, 1.0))
    speed.axhspan(low, high, color=ink.PALE, linewidth=0, label="deadband")
    speed.axhline(story.target_rpm, color=ink.BLACK, linestyle="--", linewidth=0.9, label="target")
    speed.step(story.time_s, story.rpm, where="post", color=ink.SPEED, label="speed")
    _number_moments(speed, moments, [one.rpm for one in moments])
    speed.set_ylabel("speed [rpm]")
    figure.suptitle(story_title(story), fontsize=10, x=0.01, ha="left")
    _room_below(speed)
    speed.legend(loc="lower left", ncols=3).set_in_layout(False)
    valve.step(
        story.time_s, story.wanted_steps, where="post", color=ink.GREY, linewidth=1.0,
        linestyle="-.", label="wanted",
    )  # fmt: skip
    valve.step(story.time_s, story.valve_steps, where="post", color=ink.VALVE, label="commanded")
    valve.step(story.time_s, story.opening_steps, where="post", color=ink.BLACK, linestyle=":", label="true")
    _number_moments(valve, moments, [one.valve_steps for one in moments])
    valve.set(ylabel="valve [steps]", xlabel="time since the move that opens it [s]")
    _room_below(valve)
    valve.legend(loc="lower left", ncols=3).set_in_layout(False)
    _tell_beside(beside, moments)
    draw_rungs(rungs, story)
    draw_orbit(orbit, story, list(range(1, len(moments))))
    return figure


def _tell_beside(axes: Axes, moments: list[tuning.Moment]) -> None:
    import textwrap

    axes.axis("off")
    for column in range(2):
        lines = []
        for number, one in enumerate(moments, start=1):
            if (number > (len(moments) + 1) // 2) == bool(column):
                short = "".join(in_words(one.text).rpartition("commanded")[1:])  # what fits beside a figure
                told = textwrap.wrap(f"{number}  {one.at_s:.2f} s  {short}", 52)
                lines += [told[0], *(f"     {rest}" for rest in told[1:])]
        text = axes.text(0.51 * column, 1.0, "\n".join(lines), transform=axes.transAxes, va="top", fontsize=9)
        text.set_in_layout(False)


BESIDE_steps = 2.5  # So much is shown either side of the positions that a cycle goes through [steps].


def draw_rungs(axes: Axes, story: tuning.Story) -> None:
    """Draw a line for each position at its steady speed, and the deadband as a bar."""
    low, high = axes.get_ylim()
    half, target = story.deadband_rpm, story.target_rpm
    axes.barh(target, 0.66, 2.0 * half, left=0.02, color=ink.PALE, edgecolor=ink.BLUE, linewidth=1.2)
    for steps, rpm, reached in _positions(story):
        if not low < rpm < high:
            continue
        holds = reached and abs(rpm - target) <= half
        colour = ink.GREEN if holds else ink.VALVE if reached else ink.GREY
        end = 0.62 if reached else 0.36
        axes.plot([0.06, end], [rpm, rpm], color=colour, linewidth=2.2 if reached else 0.8)
        if reached:
            axes.annotate(
                f"{steps:.0f}", (0.74, rpm), va="center", fontsize=9,
                fontweight="bold" if holds else "normal", annotation_clip=True,
            )  # fmt: skip
    axes.set_xlim(0.0, 1.0)
    axes.tick_params(left=False, labelleft=False, bottom=False, labelbottom=False)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    axes.grid(visible=False)
    axes.set_xlabel("valve at [steps]")


def draw_orbit(axes: Axes, story: tuning.Story, numbers: list[int]) -> None:
    """Draw speed against where the valve is: the way that is gone round, and what it misses."""
    inside = (story.time_s >= 0.0) & (story.time_s <= story.period_s)
    steps, rpm = story.opening_steps[inside], story.rpm[inside]
    half, target = story.deadband_rpm, story.target_rpm
    axes.axhspan(target - half, target + half, color=ink.PALE, linewidth=0)
    axes.plot(steps, rpm, color=ink.SPEED, linewidth=1.4)
    least, most = float(steps.min()) - BESIDE_steps, float(steps.max()) + BESIDE_steps
    shown = [one for one in _positions(story) if least <= one[0] <= most]
    axes.plot([one[0] for one in shown], [one[1] for one in shown], ":", color=ink.GREY, linewidth=1.2)
    for at, settled, reached in shown:
        if reached:
            axes.plot([at - 0.45, at + 0.45], [settled, settled], color=ink.VALVE, linewidth=3.0)
    moments = [one for one in story.moments if one.kind != "there"]
    for number in numbers:
        one = moments[number - 1]
        row = min(int(np.searchsorted(story.time_s, one.at_s)), story.time_s.size - 1)
        axes.annotate(
            str(number), (story.opening_steps[row], one.rpm), fontsize=9, ha="center", va="center",
            color=ink.BLACK, bbox={"boxstyle": "circle,pad=0.15", "facecolor": "white",
                               "edgecolor": ink.BLACK, "linewidth": 0.7},
        )  # fmt: skip
    axes.set(xlim=(least, most), xlabel="valve, where it is [steps]", ylabel="speed [rpm]")
    axes.set_title(orbit_title(story), fontsize=9)


def orbit_title(story: tuning.Story) -> str:
    """Say why the way closes, or that it passes by a position that would hold."""
    rests = [
        at
        for at, rpm, reached in _positions(story)
        if reached and abs(rpm - story.target_rpm) <= story.deadband_rpm
    ]
    if rests:
        return f"It passes by {rests[0]:.0f},\nwhere it could hold"
    return "Bars: settled speed;\nnone in the deadband"


def _positions(story: tuning.Story) -> list[tuple[float, float, bool]]:
    """Position, settled speed, and whether moves of the smallest size reach it."""
    move = story.move_steps
    first = int(story.valve_steps.min()) % move
    return [(float(at), float(rpm), at % move == first) for at, rpm in enumerate(story.settled_rpm)]
