"""Figures of an explanation: maps, with and without, one cycle told, the bound, rpm per step."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

import tuning
from workbench.figures.story import story_figure
from workbench.output import drawing as ink
from workbench.output.drawing import Axes, Figure, new_figure, styled
from workbench.words.explanation import LOADS
from workbench.words.wording import in_words

AXIS_WORDS = {
    "min_move_steps": "minimum move [steps]", "deadband_rpm": "deadband, half-width [rpm]",
    "gain_steps_per_100rpm": "gain [steps per 100 rpm]",
    "integral_steps_per_100rpm_s": "integral [steps per 100 rpm and second]",
}  # fmt: skip
CHANCES = "Blues"  # Light to dark without a turn: the same order in grey print.
LARGEST_DOT = 150.0
DARK_CHANCE = 0.5  # Above this chance a cell is dark [-].


def explain_figures(result: tuning.Explanation) -> dict[str, Figure]:
    """Draw everything an explanation can show."""
    figures = {"rpm_per_step": rpm_per_step_figure(result)}
    for one in result.maps:
        name = "map_moves" if one.x_key == "min_move_steps" else "map_gains"
        figures[name] = map_figure(one, result.ablation.as_is.chance)
    if len(result.ablation.rows) > 1:
        figures["with_and_without"] = ablation_figure(result)
    if result.story is not None:
        figures["cycle_told"] = story_figure(result.story)
    if result.bound:
        figures["bound"] = bound_figure(result)
    return figures


def _edges(values: Any) -> Any:
    """Borders of the cells around evenly spaced values."""
    half = 0.5 * (values[1] - values[0]) if len(values) > 1 else 0.5
    return np.append(np.asarray(values) - half, values[-1] + half)


def map_title(one: tuning.HuntingMap, chance: float) -> str:
    """Say what a map shows about the car's settings."""
    if one.now is None:
        return "Where it hunts"
    if one.x_key == "min_move_steps":
        at = f"A minimum move of {one.now[0]:g} with {one.now[1]:g} rpm of deadband"
    else:
        at = f"Gain {one.now[0]:g} with integral {one.now[1]:g}"
    if chance < 0.005:
        return f"{at}: without combustion variation it settles from every start"
    return f"{at}: without combustion variation {100.0 * chance:.0f} % of starts hunt"


def _mark(axes: Axes, at: tuple[float, float] | None, marker: str, label: str) -> None:
    if at is not None:
        axes.scatter(
            [at[0]], [at[1]], marker=marker, s=190, facecolors="white", edgecolors=ink.BLACK,
            linewidths=1.8, label=label, zorder=6, clip_on=False,
        )  # fmt: skip


@styled()
def map_figure(one: tuning.HuntingMap, chance: float) -> Figure:
    """Draw a hunting map: chance as shade, size as dots, theory's limit as a line."""
    from matplotlib.patheffects import Normal, Stroke

    figure = new_figure(3.3)
    axes = figure.subplots()
    shade = axes.pcolormesh(_edges(one.x), _edges(one.y), 100.0 * one.chance, cmap=CHANCES, vmin=0, vmax=100)
    figure.colorbar(shade, ax=axes, label="chance of hunting [%]", pad=0.01)
    hunting = one.chance > 0.0
    x, y = np.meshgrid(one.x, one.y)
    largest = max(float(one.swing_rpm.max()), 1.0)
    # Dark rings on light cells and light rings on dark ones: seen in grey print too.
    inks = np.where(one.chance[hunting] > DARK_CHANCE, "white", ink.BLACK).tolist()
    axes.scatter(
        x[hunting], y[hunting], s=LARGEST_DOT * one.swing_rpm[hunting] / largest,
        facecolors="none", edgecolors=inks, linewidths=1.0,
    )  # fmt: skip
    axes.scatter(
        [], [], s=LARGEST_DOT, facecolors="none", edgecolors=ink.BLACK, linewidths=1.0,
        label=f"size of swing: this ring is {largest:.0f} rpm",
    )  # fmt: skip
    (border,) = axes.plot(
        one.border_x, one.border_y, color=ink.BLACK, linewidth=2.0, linestyle="--",
        label=f"theory: {in_words(one.border_name)}", zorder=5,
    )  # fmt: skip
    border.set_path_effects([Stroke(linewidth=4.5, foreground="white"), Normal()])
    _mark(axes, one.now, "s", "the car's settings")
    _mark(axes, one.suggested, "*", "recommended by rule")
    axes.set_xlim(*_edges(one.x)[[0, -1]])  # whole cells, those at nought too
    axes.set_ylim(*_edges(one.y)[[0, -1]])
    axes.grid(visible=False)
    axes.set(xlabel=AXIS_WORDS[one.x_key], ylabel=AXIS_WORDS[one.y_key])
    axes.set_title(map_title(one, chance).replace(": ", ":\n"))  # on one line it is wider than the figure
    figure.legend(loc="outside lower left", ncols=2, markerscale=1.0)
    return figure


def ablation_title(result: tuning.Explanation) -> str:
    """Say what switching off showed."""
    if not result.hunts:
        return "Nothing to switch off: it settles as it is"
    row = result.ending_row
    if row is None:
        return "No single change ends the hunting"
    left = 100.0 * row.left_share
    if left < 1.0:
        return f"With {in_words(row.name)} the hunting ends"
    return f"With {in_words(row.name)} only {left:.0f} % of the hunting is left"


@styled()
def ablation_figure(result: tuning.Explanation) -> Figure:
    """Draw the swing with each possible cause switched off, beside the car as it is."""
    rows = list(reversed(result.ablation.rows))
    names = [in_words(row.name) for row in rows]
    colours = [ink.BLACK if row.key == "as_is" else ink.GREEN if row.ends_it else ink.BLUE for row in rows]
    places = np.arange(len(rows))
    figure = new_figure(0.9 + 0.22 * len(rows))
    axes = figure.subplots()
    axes.barh(places, [row.swing_rpm for row in rows], color=colours, height=0.62)
    swings = [row.swing_rpm for row in rows] + [row.with_scatter_swing_rpm for row in rows]
    widest = max((value for value in swings if math.isfinite(value)), default=0.0) or 1.0
    for place, row in zip(places, rows, strict=True):
        text = f"{100.0 * row.chance:.0f} % of starts hunt" if row.chance else "settles"
        axes.text(1.06 * widest, float(place), text, fontsize=8, va="center")
    axes.scatter(
        [row.with_scatter_swing_rpm for row in rows], places, marker="D", s=34,
        facecolors="white", edgecolors=ink.BLACK, zorder=5, label="with combustion variation",
    )  # fmt: skip
    axes.axvline(result.ablation.floor_rpm, color=ink.GREY, ls=":", linewidth=1.6, label="valve held")
    axes.set_yticks(places, names)
    axes.grid(visible=False, axis="y")
    axes.set(
        xlim=(0.0, 1.5 * widest), xlabel="mean swing over all starts, peak to peak [rpm]",
        title=ablation_title(result),
    )  # fmt: skip
    figure.legend(loc="outside lower right", ncols=2)
    return figure


def bound_title(result: tuning.Explanation) -> str:
    """Say how deep the deepest dip is and could be."""
    worst = max(result.bound, key=lambda row: row.own_rpm)
    name = LOADS[worst.key].capitalize()
    own = "stalls it" if worst.stalls else f"dips it {worst.own_rpm:.0f} rpm"
    return f"{name} {own}; this valve allows no less than {worst.bound_rpm:.0f} rpm"


@styled()
def bound_figure(result: tuning.Explanation) -> Figure:
    """Draw the dip after each load: held, own, with feed-forward, with spark, and the bound."""
    rows = sorted(result.bound, key=lambda row: row.own_rpm)
    places = np.arange(len(rows))
    figure = new_figure(1.3 + 0.27 * len(rows))
    axes = figure.subplots()
    own, bound = [row.own_rpm for row in rows], [row.bound_rpm for row in rows]
    axes.barh(places, own, height=0.55, color=ink.PALE, edgecolor=ink.GREY, label="own settings")
    axes.barh(places, bound, height=0.55, color=ink.BLUE, label="bound: no less with this valve")
    marks = (
        ("valve held", [row.held_rpm for row in rows], "x", ink.BLACK),
        ("feed-forward alone", [row.forward_rpm for row in rows], "D", ink.ORANGE),
        ("own settings and fast spark", [row.spark_rpm for row in rows], "^", ink.GREEN),
        ("own settings, feed-forward and spark", [row.forward_spark_rpm for row in rows], "o", ink.RED),
    )
    for label, values, marker, colour in marks:
        axes.plot(values, places, marker, color=colour, markersize=6.5, label=label)
    names = [f"{in_words(row.name)}\nneeds {row.forward_steps} steps" for row in rows]
    axes.set_yticks(places, names)
    axes.grid(visible=False, axis="y")
    axes.set_xlim(left=0.0)
    axes.set(xlabel="dip without combustion variation [rpm]", title=bound_title(result))
    figure.legend(loc="outside lower left", ncols=3)
    return figure


@styled()
def rpm_per_step_figure(result: tuning.Explanation) -> Figure:
    """Draw the valve gain over the valve's travel."""
    view = result.resolution
    places = np.arange(view.rpm.size)
    worth = view.move_rpm / view.move_steps
    steps = "step" if view.move_steps == 1 else "steps"
    figure = new_figure(4.4)
    speed, per_step = figure.subplots(2, 1, sharex=True)
    band = (view.target_rpm - view.deadband_rpm, view.target_rpm + view.deadband_rpm)
    speed.axhspan(*band, color=ink.PALE, linewidth=0, label="deadband")
    speed.plot(places, view.rpm, color=ink.BLUE)
    first = round(view.needed_steps) % view.move_steps
    reached = places[first :: view.move_steps]
    speed.plot(
        reached, view.rpm[reached], "o", markersize=3.5, color=ink.BLACK,
        label=f"positions {view.move_steps} {steps} apart",
    )  # fmt: skip
    speed.set_ylabel("settled speed [rpm]")
    speed.set_title(
        f"Valve gain {worth:.0f} rpm per step at idle: one move of {view.move_steps} {steps} is"
        f" {view.move_rpm:.0f} rpm, the deadband is {2.0 * view.deadband_rpm:.0f} rpm wide"
    )
    speed.legend(loc="lower right")
    per_step.step(places[:-1] + 0.5, view.rpm_per_step, where="mid", color=ink.BLUE)
    if view.scatter_rpm > 0.0:
        per_step.axhline(
            view.scatter_rpm, color=ink.GREY, ls=":", linewidth=1.6, label="roughness (standard deviation)"
        )
        per_step.legend(loc="upper right")
    for axes in (speed, per_step):
        axes.axvline(view.needed_steps, color=ink.ORANGE, linestyle="--", linewidth=1.4)
    per_step.annotate(
        f"warm idle needs {view.needed_steps:.1f}", (view.needed_steps, 0.0), xytext=(4, 4),
        textcoords="offset points", fontsize=8,
    )  # fmt: skip
    per_step.set_ylim(bottom=0.0)
    per_step.set(ylabel="valve gain [rpm/step]", xlabel="valve position from the seat [steps]")
    return figure
