"""Figures of starts and open-loop curves: a cold start to warm, curves and proposals for them."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

import sim
import tuning
from workbench.output import drawing as ink
from workbench.output.drawing import BLACK, BLUE, GREEN, GREY, ORANGE, Axes, Figure, new_figure, styled
from workbench.words.sentence import capital
from workbench.words.wording import in_words

FIRST_s, BEFORE_s = 30.0, 2.0
"""The left half of the figure shows this long, and this much of what was before [s]."""


@styled()
def start_figure(trace: sim.Trace, story: tuning.StartStory) -> Figure:
    """Draw one start: its first half minute on the left, the whole run on the right."""
    figure = new_figure(7.4, 9.6)
    axes = figure.subplots(
        3, 2, sharex="col", gridspec_kw={"height_ratios": [3.0, 2.0, 1.5], "width_ratios": [1.15, 1.0]}
    )
    begins_s = max(story.phases[0].from_s - BEFORE_s, 0.0)
    windows = ((1.0, begins_s, begins_s + FIRST_s), (60.0, 0.0, trace.duration_s))
    for column, (factor, from_s, ends_s) in enumerate(windows):
        shown = (trace.time_s >= from_s) & (trace.time_s <= ends_s)
        speed, valve = axes[0, column], axes[1, column]
        _draw_speed(speed, trace, shown, factor)
        _draw_valve(valve, trace, shown, factor)
        for one in axes[:, column]:
            one.set_xlim(from_s / factor, ends_s / factor)
            _shade(one, story.phases, (from_s, ends_s), factor, named=one is speed)
    for one in axes[:, 0]:
        _mark_moments(one, story, named=one is axes[2, 0])
    axes[2, 0].plot(trace.time_s, trace["battery_V"], color=ink.BLACK)
    axes[2, 0].set_ylabel("battery [V]")
    _draw_heat(axes[2, 1], trace)
    axes[0, 0].set_ylabel("speed [rpm]")
    axes[1, 0].set_ylabel("valve [steps]")
    axes[2, 0].set_xlabel("time, half a minute about the start [s]")
    axes[2, 1].set_xlabel("time, the whole run [min]")
    axes[0, 0].legend(loc="lower right")
    axes[1, 0].legend(loc="lower right", ncols=2)
    figure.suptitle(_two_lines(story), fontsize=10, x=0.01, ha="left")
    figure.align_ylabels()
    return figure


@styled()
def proposal_figure(proposal: tuning.BaseProposal) -> Figure:
    """Draw proposed curves beside the owner's, and what starts come to with both."""
    verdict, *more = map(in_words, proposal.verdict())
    told = [verdict, *(f"{capital(one)}." for one in more)]
    figure = new_figure(6.4, 9.6)
    curves, starts = figure.subplots(2, 3)
    _draw_curves(curves, proposal)
    _draw_starts(starts, proposal)
    figure.suptitle(textwrap.fill(" ".join(told), 120), fontsize=10, x=0.01, ha="left")
    figure.align_ylabels()
    return figure


def _draw_curves(row: Sequence[Axes], proposal: tuning.BaseProposal) -> None:
    places = [p.coolant_degC for p in proposal.points]
    kinds = (("base", "base curve"), ("cranking", "cranking curve"), ("after", "after-start air"))
    for one, (kind, name) in zip(row, kinds, strict=True):
        now = [getattr(p, f"{kind}_now_steps") for p in proposal.points]
        new = [getattr(p, f"{kind}_steps") for p in proposal.points]
        _draw_pair(one, places, now, new)
        one.set(title=name, ylim=(0.0, 1.12 * max(*now, *new, 1.0)))
    if proposal.fade_s != proposal.fade_now_s:
        row[2].set_title(f"after-start air, gone in {proposal.fade_now_s:g} -> {proposal.fade_s:g} s")
    row[0].set_ylabel("valve [steps]")
    row[0].legend(loc="upper right")


def _draw_starts(row: Sequence[Axes], proposal: tuning.BaseProposal) -> None:
    aims = proposal.targets
    kinds = (
        ("flare_rpm", "flare", aims.flare_rpm), ("dip_rpm", "dip", aims.dip_rpm),
        ("late_rpm", f"farthest off, {aims.stable_s:.0f} s from cranking", tuning.START_TOLERANCE_rpm),
    )  # fmt: skip
    places = [one.coolant_degC for one in proposal.proposed]
    for one, (name, title, target_rpm) in zip(row, kinds, strict=True):
        now = [getattr(s, name) for s in proposal.now]
        new = [getattr(s, name) for s in proposal.proposed]
        one.axhline(target_rpm, color=ink.BLACK, linestyle="--", linewidth=1, label="target, at most")
        _draw_pair(one, places, now, new)
        one.set(
            title=title, ylim=(0.0, 1.12 * max(*now, *new, target_rpm)),
            xlabel="temperature at the start [degC]",
        )  # fmt: skip
    row[0].set_ylabel("start without feedback [rpm]")
    row[0].legend(loc="lower right")


def _draw_pair(axes: Axes, places: list[float], now: list[float], new: list[float]) -> None:
    axes.plot(places, now, color=ink.GREY, marker="s", markersize=4, label="your own")
    axes.plot(places, new, color=ink.BLUE, marker="o", markersize=4, label="proposed")


@styled()
def logged_base_figure(proposal: tuning.LoggedBase) -> Figure:
    """Draw the base curve that logs propose beside the owner's, with what is behind each point."""
    figure = new_figure(4.4)
    axes = figure.subplots()
    points = proposal.points
    places = [p.coolant_degC for p in points]
    axes.axvspan(places[0] - 1.0, places[-1] + 1.0, color=ink.PALE, linewidth=0, zorder=0, label="recorded")
    axes.plot(*zip(*proposal.now, strict=True), color=ink.GREY, marker="s", markersize=4, label="your own")
    axes.plot(*zip(*proposal.curve, strict=True), color=ink.BLUE, marker="o", markersize=4, label="proposed")
    axes.errorbar(places, [p.held_steps for p in points], [p.spread_steps for p in points],
                  color=ink.ORANGE, marker="D", markersize=4, linestyle="none", capsize=3,
                  label="held the target, with spread")  # fmt: skip
    axes.set_ylim(bottom=0.0)
    axes.set(xlabel="temperature the controller reads [degC]", ylabel="valve [steps]")
    axes.legend(loc="upper right")
    figure.suptitle(in_words(proposal.lines()[0]), fontsize=10, x=0.01, ha="left", wrap=True)
    return figure


def _two_lines(story: tuning.StartStory) -> str:
    wrong = story.wrong
    seen = story.base_errors
    told = ""
    if seen:
        places = f"{seen[0].from_degC:.0f} to {seen[-1].to_degC:.0f} degC"
        told = f"From {places} the base curve needs no mending"
    if wrong:
        told = "; ".join(map(in_words, wrong[:2]))
    elif not seen:
        told = "Feedback did not act for long enough to tell how good the base curve is"
    more = f"; and at {len(wrong) - 2} more" if len(wrong) > 2 else ""
    if position := story.position:
        told, more = in_words(position[0]).rpartition(". ")[0], ""
        told = capital(told)
    return f"{textwrap.fill(in_words(story.finding), 130)}\n{textwrap.fill(f'{told}{more}.', 130)}"


def _draw_speed(axes: Axes, trace: sim.Trace, shown: np.ndarray, factor: float) -> None:
    times = trace.time_s[shown] / factor
    axes.plot(times, trace["rpm"][shown], color=ink.SPEED, linewidth=0.9, label="measured")
    axes.step(
        times, trace["target_rpm"][shown], where="post", color=ink.BLACK, linestyle="--", linewidth=1,
        label="target",
    )  # fmt: skip
    axes.set_ylim(0.0, 1.2 * float(np.max(trace["rpm"])))


def _draw_valve(axes: Axes, trace: sim.Trace, shown: np.ndarray, factor: float) -> None:
    times = trace.time_s[shown] / factor
    for name, colour, width, label in (
        ("valve_steps", ink.VALVE, 2.4, "commanded"), ("shaft_steps", ink.BLACK, 1.0, "true"),
        ("base_steps", ink.GREY, 1.0, "base curve"),
    ):  # fmt: skip
        style = ":" if name == "base_steps" else "-"
        axes.step(
            times, trace[name][shown], where="post", color=colour, linewidth=width,
            linestyle=style, label=label,
        )  # fmt: skip
    highest = max(float(np.max(trace["valve_steps"])), float(np.max(trace["shaft_steps"])))
    axes.set_ylim(-1.0, 1.1 * highest + 2.0)


def _draw_heat(axes: Axes, trace: sim.Trace) -> None:
    minutes = trace.time_s / 60.0
    axes.plot(minutes, trace["coolant_degC"], color=ink.HEAT, label="engine")
    axes.plot(minutes, trace["oil_degC"], color=ink.BLACK, linestyle="--", label="oil")
    sensed = trace["coolant_sensed_degC"]
    axes.plot(minutes, sensed, color=ink.GREY, linestyle=":", linewidth=2, label="the curves go by")
    axes.set_ylabel("temperature [degC]")
    axes.legend(loc="lower right")


def _mark_moments(axes: Axes, story: tuning.StartStory, named: bool) -> None:
    for since_s, name in ((story.first_firing_s, "first firing"), (story.feedback_s, "feedback acts")):
        if not since_s < FIRST_s:
            continue
        axes.axvline(story.key_s + since_s, color=ink.RED, linestyle=":", linewidth=1)
        if named:
            axes.annotate(
                name, (story.key_s + since_s, 0.04), xycoords=("data", "axes fraction"),
                xytext=(3, 0), textcoords="offset points", fontsize=7.5, color=ink.RED,
            )  # fmt: skip


def _shade(
    axes: Axes, phases: tuple[tuning.Phase, ...], shown_s: tuple[float, float], factor: float, named: bool
) -> None:
    """Shade every other phase, and name those wide enough to be seen."""
    from_s, until_s = shown_s
    for number, phase in enumerate(phases):
        begin, end = max(phase.from_s, from_s), min(phase.to_s, until_s)
        if end <= begin:
            continue
        if number % 2 == 0:
            axes.axvspan(begin / factor, end / factor, color=ink.PALE, linewidth=0, zorder=0)
        if named and end - begin > 0.02 * (until_s - from_s):
            tall = (end - begin) < 0.16 * (until_s - from_s)
            axes.annotate(
                phase.name, ((begin + end) / 2 / factor, 0.98),
                xycoords=("data", "axes fraction"), ha="center", va="top",
                rotation=90 if tall else 0, fontsize=7.5, color=ink.BLACK,
            )  # fmt: skip


def curves_finding(car: sim.Car) -> str:
    """Say how well the base curve holds the target in the model."""
    spots = tuning.base_spots(car)
    worst = max(spots, key=lambda spot: abs(spot.settled_rpm - spot.target_rpm))
    low = min(spot.rpm_per_step for spot in spots)
    high = max(spot.rpm_per_step for spot in spots)
    off = worst.settled_rpm - worst.target_rpm
    return (
        f"On the base curve the engine idles within {abs(off):.0f} rpm of the target (worst at"
        f" {worst.coolant_degC:.0f} degC), and the valve gain is {low:.0f} to {high:.0f} rpm per step."
    )


@styled()
def curves_figure(car: sim.Car) -> Figure:
    """Draw curves and settled speed over coolant temperature."""
    from controllers import curve_at

    curves = car.curves
    lowest = min(curves.base_steps[0][0], -20.0)
    coolant_degC = np.linspace(lowest, 95.0, 231)

    def read(points: tuple[tuple[float, float], ...]) -> list[float]:
        return [curve_at(points, float(one)) for one in coolant_degC]

    base = np.array(read(curves.base_steps))
    spots = tuning.base_spots(car)
    figure = new_figure(2.6)
    steps, speed = figure.subplots(1, 2)
    steps.plot(coolant_degC, read(curves.cranking_steps), color=ORANGE, linestyle="--", label="cranking")
    after = base + np.array(read(curves.after_start_steps))
    steps.plot(coolant_degC, after, color=GREEN, linestyle=":", label="just after the start")
    steps.plot(coolant_degC, base, color=BLUE, linewidth=2, label="base curve")
    steps.axhline(car.valve.open_limit_steps, color=GREY, linewidth=0.8, label="open limit")
    steps.set(ylim=(0.0, 1.1 * car.valve.open_limit_steps), ylabel="valve [steps]")
    speed.plot(coolant_degC, read(curves.target_rpm), color=BLACK, linestyle="--", label="target")
    speed.plot(
        [spot.coolant_degC for spot in spots], [spot.settled_rpm for spot in spots],
        color=BLUE, marker="o", markersize=4, label="idle on the base curve",
    )  # fmt: skip
    speed.set_ylabel("speed [rpm]")
    speed.margins(y=0.25)
    for axes in (steps, speed):
        axes.set_xlabel(f"{car.temperature_name} [degC]")
        ink.legend_above(axes, 2)
    return figure
