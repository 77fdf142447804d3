"""Figures of the stress matrix: the whole of it, and the runs that strained the limits most."""

from __future__ import annotations

import math

import numpy as np

import tuning
from workbench.output.drawing import BLACK, GREY, SPEED, VALVE, Axes, Figure, new_figure, styled
from workbench.words import units
from workbench.words.tables import number
from workbench.words.wording import in_words

SHADES = {"pass": "#e3eef6", "warn": "#f0b54d", "fail": "#a11a2a"}
"""Light, middle and dark: told apart in grey print."""
INK = {"pass": "#47606f", "warn": BLACK, "fail": "#ffffff"}
MEANS = {
    "pass": "within both limits", "warn": "needs work: beyond the first",
    "fail": "fails: a tenth beyond both",
}  # fmt: skip
SHORT = {
    "stalled": "stalls", "lowest_rpm": "lowest\nspeed ≥", "hunting_percent": "hunts\n[%]",
    "hunting_rpm": "swing\nat idle", "mean_error_rpm": "error\nsettled",
    "worst_below_target_rpm": "dip at\na load", "blip_undershoot_rpm": "after\na blip",
    "highest_rpm": "above\ntarget", "start_flare_rpm": "start\nflare", "settle_s": "back in\n[s]",
    "moves_per_min": "valve\nmoves", "limited_share": "time at\na limit",
}  # fmt: skip


def stress_finding(result: tuning.Stress) -> str:
    """Say in one sentence how the matrix went."""
    counts = result.counts
    worst = result.worst(1)
    strained = f"; the hardest is {worst[0].name}" if worst else ""
    lacking = f" ({result.not_fitted} more need what it does not have)" if result.not_fitted else ""
    fails = "no failures" if counts["fail"] == 0 else f"{counts['fail']} fail"
    return (
        f"Of {sum(counts.values())} cases on {result.engines} variations of your car: {fails},"
        f" {counts['warn']} need work, {counts['pass']} within all limits{strained}{lacking}."
    )


@styled()
def matrix_figure(result: tuning.Stress, imperial: bool = False) -> Figure:
    """Draw every case against every measure."""
    from matplotlib.patches import Rectangle

    names, counts = [check.measure for check in result.cases[0].checks], result.counts
    figure = new_figure(1.2 + 0.175 * len(result.cases))
    axes = figure.subplots()
    for row, case in enumerate(result.cases):
        for column in range(len(case.checks)):
            _cell(axes, row, column, case)
        if not case.fitted:
            axes.text(0.1, row + 0.52, "not fitted to this car", va="center", fontsize=8.5)
    axes.set(xlim=(0, len(names)), ylim=(len(result.cases), 0))
    axes.set_xticks([i + 0.5 for i in range(len(names))], [SHORT.get(n, n) for n in names])
    axes.xaxis.tick_top()
    cases = [units.in_words(case.name, imperial) for case in result.cases]
    axes.set_yticks([i + 0.5 for i in range(len(cases))], cases)
    axes.tick_params(length=0, labelsize=8)
    axes.grid(visible=False)
    for side in axes.spines.values():
        side.set_visible(False)
    told = f"{counts['fail']} fail, {counts['warn']} need work, {counts['pass']} within all limits"
    figure.suptitle(f"Which cases go beyond a limit? {told}", fontsize=10, x=0.01, ha="left")
    axes.set_xlabel("value on the worst variation, /limit broken; bold: it decides")
    axes.legend(
        handles=[Rectangle((0, 0), 1, 1, facecolor=SHADES[one], label=MEANS[one]) for one in SHADES],
        loc="upper center", bbox_to_anchor=(0.3, -0.05), ncols=3, frameon=False, fontsize=9,
    )  # fmt: skip
    return figure


def _cell(axes: Axes, row: int, column: int, case: tuning.Case) -> None:
    from matplotlib.patches import Rectangle

    one = case.checks[column]
    known = case.fitted and not math.isnan(one.value)
    shade = SHADES[one.verdict] if known else "#f6f6f6"
    axes.add_patch(Rectangle((column + 0.03, row + 0.06), 0.94, 0.88, facecolor=shade, linewidth=0))
    if not known:
        return
    ink, decided = INK[one.verdict], one.measure == case.decided_by.measure
    if one.measure == "stalled":
        told = "stalls" if one.value > one.limit else "none"
        axes.text(column + 0.5, row + 0.5, told, ha="center", va="center", fontsize=8, color=ink)
        return
    # A limit that is kept needs no reading.
    told = _short(one.value) + ("" if one.verdict == "pass" else f"/{_short(one.limit)}")
    weight = "bold" if decided else "normal"
    size = 8.0 if len(told) < 6 else min(6.8, 42.0 / len(told))  # within its cell
    axes.text(column + 0.5, row + 0.5, told, ha="center", va="center", size=size, color=ink, weight=weight)


def _short(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0") if abs(value) < 10.0 else f"{value:.0f}"


@styled()
def worst_figure(result: tuning.Stress, count: int = 3, imperial: bool = False) -> Figure:
    """Draw the worst run of the cases that strained their limits most."""
    cases = result.worst(count)
    figure = new_figure(2.7)
    grid = figure.subplots(2, len(cases), sharex="col", squeeze=False, height_ratios=(2.2, 1.0))
    for place, case in enumerate(cases):
        run = case.worst_run
        speed, valve = grid[0, place], grid[1, place]
        speed.axhline(run.target_rpm, color=BLACK, linestyle="--", linewidth=0.9)
        speed.plot(run.time_s, run.rpm, color=SPEED, linewidth=0.8)
        valve.step(run.time_s, run.valve_steps, where="post", color=VALVE)
        one = case.decided_by
        meaning = in_words(one.meaning)
        told = f"{case.verdict}: {meaning}\n{number(one.value)} {one.unit}, limit {number(one.limit)}"
        name = units.in_words(case.name, imperial)
        speed.set_title(f"{name}\n{told}", fontsize=8)
        valve.set_xlabel("time [s]")
        top = float(np.max(run.rpm))
        speed.set_ylim(bottom=min(float(np.min(run.rpm)), run.target_rpm) * 0.9, top=top * 1.05)
        speed.tick_params(colors=BLACK)
        speed.spines["left"].set_color(GREY)
    grid[0, 0].set_ylabel("speed [rpm]")
    grid[1, 0].set_ylabel("valve [steps]")
    return figure
