"""Figures of a search: idle before and after, quiet against quick against wear, what mattered."""

from __future__ import annotations

import tuning
from workbench.output.drawing import BLACK, BLUE, GREY, ORANGE, PALE, SPEED, VALVE, Figure, new_figure, styled
from workbench.words.search import SET_NAMES, TERM_WORDS, setting_name


@styled()
def before_after_figure(result: tuning.Tuning, deadbands_rpm: tuple[float, float]) -> Figure:
    """Draw the car as its file says at loads and a blip, with present and with proposed settings."""
    figure = new_figure((8.2, 4.4))
    axes = figure.subplots(2, 2, sharex=True, sharey="row", height_ratios=(2, 1))
    for place, (run, title) in enumerate(zip(result.samples, ("now", "proposed"), strict=True)):
        speed, valve = axes[0, place], axes[1, place]
        half = deadbands_rpm[place]
        speed.axhspan(run.target_rpm - half, run.target_rpm + half, color=PALE, linewidth=0)
        speed.axhline(run.target_rpm, color=BLACK, linestyle="--", linewidth=0.9)
        speed.plot(run.time_s, run.rpm, color=SPEED, linewidth=0.8)
        speed.set_title(f"{title}: deadband {half:g} rpm either side of target", fontsize=9)
        valve.step(run.time_s, run.valve_steps, where="post", color=VALVE)
        valve.set_xlabel("time [s]")
    target = result.samples[0].target_rpm
    lowest = min(float(run.rpm.min()) for run in result.samples)
    # A blip goes far higher; its top tells nothing about the settings.
    axes[0, 0].set(ylim=(min(lowest, target - 100.0) - 30.0, 1.5 * target), ylabel="speed [rpm]")
    axes[1, 0].set_ylabel("valve [steps]")
    axes[0, 0].set_xlim(0.0, float(result.samples[0].time_s[-1]))
    return figure


TERM_COLOURS = (BLUE, "#7a5195", ORANGE, "#58508d", "#9a9a9a", "#3d8b80", BLACK)


@styled()
def compared_figure(result: tuning.Tuning) -> Figure:
    """Draw the score of each set of settings, made of its terms."""
    rows = list(reversed(result.compared))
    figure = new_figure((7.6, 3.4))
    axes = figure.subplots()
    begins = [0.0] * len(rows)
    for term, colour in zip(TERM_WORDS, TERM_COLOURS, strict=True):
        sizes = [one.score.terms[term] for one in rows]
        if max(sizes) > 0.0:
            axes.barh(range(len(rows)), sizes, left=begins, color=colour, label=term)
        begins = [begin + size for begin, size in zip(begins, sizes, strict=True)]
    marks = []
    for place, one in enumerate(rows):
        met = one.score.acceptance
        failing = "" if met.is_met else f", not acceptable on {100.0 * met.failing_share:.0f} %"
        axes.text(begins[place], place, f" {one.score.total:.0f}{failing}", va="center", fontsize=8)
        mark = "\n(proposed)" if one.name == result.proposed else ""
        marks.append(SET_NAMES[one.name] + mark)
    axes.set_yticks(range(len(rows)), marks)
    axes.set(xlim=(0.0, 1.35 * max(begins)), xlabel="score on fresh variations [rpm], lower is better")
    axes.grid(visible=False, axis="y")
    figure.legend(loc="outside lower center", ncols=7, fontsize=8)
    return figure


def compared_finding(result: tuning.Tuning) -> str:
    """Say which set is best on the same fresh cars."""
    ordered = sorted(result.compared, key=lambda one: one.score.order)
    first, second = ordered[0], ordered[1]
    return (
        f"On the same fresh cars: {SET_NAMES[first.name]} {first.score.total:.0f} rpm, next"
        f" {SET_NAMES[second.name]} {second.score.total:.0f} rpm."
    )


@styled()
def front_figure(result: tuning.Tuning) -> Figure:
    """Draw quiet against quick, wear as the size of the dot."""
    front = result.front
    kept = [front.points[place] for place in front.on_front]
    figure = new_figure((7.6, 4.0))
    axes = figure.subplots()
    axes.scatter(
        [p.quiet_rpm for p in front.points], [p.quick_s for p in front.points],
        s=[8.0 + 2.0 * p.wear_per_min for p in front.points], color="#c9c9c9", linewidths=0,
        label="tried",
    )  # fmt: skip
    axes.scatter(
        [p.quiet_rpm for p in kept], [p.quick_s for p in kept],
        s=[8.0 + 2.0 * p.wear_per_min for p in kept], color=BLUE, alpha=0.75, linewidths=0,
        label="no other beats it on all three",
    )  # fmt: skip
    chosen = front.chosen
    axes.scatter(
        [chosen.quiet_rpm], [chosen.quick_s], s=170, facecolors="none", edgecolors=ORANGE,
        linewidths=2.4, label="chosen",
    )  # fmt: skip
    near = sorted(p.quiet_rpm for p in front.points)
    limit = near[int(0.9 * (len(near) - 1))] if near else 1.0
    axes.set(
        xlim=(-0.03 * limit - 0.5, max(1.15 * limit, 1.2 * chosen.quiet_rpm, 5.0)),
        xlabel="quiet: swing above that with the valve held [rpm]",
        ylabel="quick: settling after a load [s]",
    )
    legend = figure.legend(
        loc="outside lower left", ncols=3, title="size of dot: valve moves a minute", alignment="left"
    )
    for mark in legend.legend_handles:
        mark.set_sizes([45.0])  # type: ignore[union-attr]
    return figure


@styled()
def importance_figure(result: tuning.Tuning) -> Figure:
    """Draw which settings mattered."""
    told = sorted(
        ((setting_name(key), share) for key, share in result.importance.items()), key=lambda item: item[1]
    )
    figure = new_figure((7.6, 0.6 + 0.32 * max(len(told), 2)))
    axes = figure.subplots()
    axes.barh([name for name, _ in told], [100.0 * share for _, share in told], color=BLUE)
    axes.set_xlabel("share of the score's variation [%]")
    axes.grid(visible=False, axis="y")
    axes.spines["left"].set_color(GREY)
    return figure
