"""Where the valve can hold: rungs beside the speed axis, and speed against position."""

from __future__ import annotations

import numpy as np

import tuning
from workbench.output.drawing import BLACK, BLUE, GREEN, GREY, PALE, SPEED, VALVE, Axes

BESIDE_steps = 2.5
"""So much is shown either side of the positions that a cycle goes through [steps]."""


def draw_rungs(axes: Axes, story: tuning.Story) -> None:
    """Draw a line for each position at its steady speed, and the deadband as a bar."""
    low, high = axes.get_ylim()
    half, target = story.deadband_rpm, story.target_rpm
    axes.barh(target, 0.66, 2.0 * half, left=0.02, color=PALE, edgecolor=BLUE, linewidth=1.2)
    for steps, rpm, reached in _positions(story):
        if not low < rpm < high:
            continue
        holds = reached and abs(rpm - target) <= half
        colour = GREEN if holds else VALVE if reached else GREY
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
    axes.axhspan(target - half, target + half, color=PALE, linewidth=0)
    axes.plot(steps, rpm, color=SPEED, linewidth=1.4)
    least, most = float(steps.min()) - BESIDE_steps, float(steps.max()) + BESIDE_steps
    shown = [one for one in _positions(story) if least <= one[0] <= most]
    axes.plot([one[0] for one in shown], [one[1] for one in shown], ":", color=GREY, linewidth=1.2)
    for at, settled, reached in shown:
        if reached:
            axes.plot([at - 0.45, at + 0.45], [settled, settled], color=VALVE, linewidth=3.0)
    moments = [one for one in story.moments if one.kind != "there"]
    for number in numbers:
        one = moments[number - 1]
        row = min(int(np.searchsorted(story.time_s, one.at_s)), story.time_s.size - 1)
        axes.annotate(
            str(number), (story.opening_steps[row], one.rpm), fontsize=9, ha="center", va="center",
            color=BLACK, bbox={"boxstyle": "circle,pad=0.15", "facecolor": "white",
                               "edgecolor": BLACK, "linewidth": 0.7},
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
        return f"It passes by {rests[0]:.0f}, where it could hold"
    return "Bars: settled speed at positions reached.\nNone lies in the deadband: it goes round"


def _positions(story: tuning.Story) -> list[tuple[float, float, bool]]:
    """Position, settled speed, and whether moves of the smallest size reach it."""
    move = story.move_steps
    first = int(story.valve_steps.min()) % move
    return [(float(at), float(rpm), at % move == first) for at, rpm in enumerate(story.settled_rpm)]
