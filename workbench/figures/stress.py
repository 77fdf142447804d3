"""Figures of the stress matrix: the whole of it, and the runs that strained the limits most."""

from __future__ import annotations

import math

import numpy as np

import tuning
from workbench.output.drawing import BLACK, GREY, SPEED, VALVE, Axes, Figure, new_figure, styled
from workbench.words import units
from workbench.words.wording import in_words

SHADES = {"pass": "#e3eef6", "warn": "#f0b54d", "fail": "#a11a2a"}
"""Light, middle and dark: told apart in grey print; the letter says it too."""
INK = {"pass": "#47606f", "warn": BLACK, "fail": "#ffffff"}
SIGN = {"pass": "", "warn": "W", "fail": "F"}
SHORT = {
    "stalled": "stalls",
    "lowest_rpm": "lowest\nspeed",
    "hunting_percent": "hunts\n[%]",
    "hunting_rpm": "swing\nat idle",
    "mean_error_rpm": "error\nat rest",
    "worst_below_target_rpm": "dip at\na load",
    "blip_undershoot_rpm": "after\na blip",
    "highest_rpm": "above\ntarget",
    "start_flare_rpm": "start\nflare",
    "settle_s": "recovery\n[s]",
    "moves_per_min": "valve\nmoves",
    "limited_share": "time at\na limit",
}


def stress_finding(result: tuning.Stress) -> str:
    """Say in one sentence how the matrix went."""
    counts = result.counts
    worst = result.worst(1)
    strained = f"; the hardest is {worst[0].name}" if worst else ""
    lacking = f" ({result.not_fitted} more need what it does not have)" if result.not_fitted else ""
    fails = "no failures" if counts["fail"] == 0 else f"{counts['fail']} fail"
    return (
        f"Of {sum(counts.values())} cases on {result.engines} plausible cars: {fails},"
        f" {counts['warn']} need work, {counts['pass']} within all limits{strained}{lacking}."
    )


@styled()
def matrix_figure(result: tuning.Stress, imperial: bool = False) -> Figure:
    """Draw every case against every measure."""
    names = [check.measure for check in result.cases[0].checks]
    figure = new_figure((7.8, 0.9 + 0.25 * len(result.cases)))
    axes = figure.subplots()
    for row, case in enumerate(result.cases):
        for column in range(len(case.checks)):
            _cell(axes, row, column, case)
        if not case.fitted:
            axes.text(0.1, row + 0.52, "not fitted to this car", va="center", fontsize=7)
    axes.set(xlim=(0, len(names)), ylim=(len(result.cases), 0))
    axes.set_xticks([i + 0.5 for i in range(len(names))], [SHORT.get(n, n) for n in names])
    axes.xaxis.tick_top()
    told = [units.in_words(case.name, imperial) for case in result.cases]
    axes.set_yticks([i + 0.5 for i in range(len(told))], told)
    axes.tick_params(length=0, labelsize=7.5)
    axes.grid(visible=False)
    for side in axes.spines.values():
        side.set_visible(False)
    axes.set_xlabel(
        "value on the worst plausible car [rpm, s, moves a minute, %], its limit small beside it\n"
        "W: beyond the limit that warns, or that fails on one odd car; F: fails",
        fontsize=7,
    )
    return figure


def _cell(axes: Axes, row: int, column: int, case: tuning.Case) -> None:
    from matplotlib.patches import Rectangle

    one = case.checks[column]
    known = case.fitted and not math.isnan(one.value)
    shade = SHADES[one.verdict] if known else "#f6f6f6"
    axes.add_patch(Rectangle((column + 0.03, row + 0.06), 0.94, 0.88, facecolor=shade, linewidth=0))
    if not known:
        return
    value = f"{one.value:.2g}" if abs(one.value) < 10.0 else f"{one.value:.0f}"
    decided = one.measure == case.decided_by.measure
    limit = f"{one.limit:.2g}" if abs(one.limit) < 10.0 else f"{one.limit:.0f}"
    side = ">" if one.lower_is_worse else "<"
    axes.text(
        column + 0.98, row + 0.88, f"{side}{limit}", ha="right", va="bottom", fontsize=4.8,
        color=INK[one.verdict],
    )  # fmt: skip
    axes.text(
        column + 0.42, row + 0.48, f"{value} {SIGN[one.verdict]}".strip(), ha="center", va="center",
        fontsize=7, color=INK[one.verdict], weight="bold" if decided else "normal",
    )  # fmt: skip


@styled()
def worst_figure(result: tuning.Stress, count: int = 3, imperial: bool = False) -> Figure:
    """Draw the worst run of the cases that strained their limits most."""
    cases = result.worst(count)
    figure = new_figure((8.2, 4.0))
    grid = figure.subplots(2, len(cases), sharex="col", squeeze=False, height_ratios=(2.2, 1.0))
    for place, case in enumerate(cases):
        run = case.worst_run
        speed, valve = grid[0, place], grid[1, place]
        speed.axhline(run.target_rpm, color=BLACK, linestyle="--", linewidth=0.9)
        speed.plot(run.time_s, run.rpm, color=SPEED, linewidth=0.8)
        valve.step(run.time_s, run.valve_steps, where="post", color=VALVE)
        one = case.decided_by
        meaning = in_words(one.meaning)
        told = f"{case.verdict}: {meaning}\n{one.value:.3g} {one.unit}, limit {one.limit:.3g}"
        name = units.in_words(case.name, imperial)
        speed.set_title(f"{name}\n{told}", fontsize=7.5)
        valve.set_xlabel("time [s]")
        top = float(np.max(run.rpm))
        speed.set_ylim(bottom=min(float(np.min(run.rpm)), run.target_rpm) * 0.9, top=top * 1.05)
        speed.tick_params(colors=BLACK)
        speed.spines["left"].set_color(GREY)
    grid[0, 0].set_ylabel("speed [rpm]")
    grid[1, 0].set_ylabel("valve [steps]")
    return figure
