"""Figure of one run: speed, valve, pressure, trim and battery over time, events marked."""

from __future__ import annotations

import math

import numpy as np

import sim
import tuning
from workbench.output import drawing as ink
from workbench.output.drawing import Axes, Figure, legend_above, new_figure, rows_of_axes, styled

BAND_s = 2.0  # What only wanders is drawn as a band from lowest to highest of so long [s].
MOST_MARKS = 12  # Events named in the figure; a run with more names the first of them.


def trace_finding(trace: sim.Trace, measures: tuning.Measures, hunting: str | None) -> str:
    """Say in one sentence what a run shows: whether it hunts, where that was asked, comes first."""
    if not math.isnan(trace.stalled_s):
        return f"{trace.name}, {trace.scenario}: the engine stalls after {trace.stalled_s:.1f} s."
    raced_s = trace.counters.get("raced_s", math.nan)
    if not math.isnan(raced_s):
        told_s = f"the engine races, and over-speed ends the run after {raced_s:.1f} s"
        return f"{trace.name}, {trace.scenario}: {told_s}."
    if tuning.races(measures.mean_error_rpm, trace.counters.get("target_rpm", math.nan)):
        above = f"it races, {-measures.mean_error_rpm:.0f} rpm above target in the mean"
        return f"{trace.name}, {trace.scenario}: {above}."
    told = [] if hunting is None else [hunting]
    falls = {"a load": measures.worst_below_target_rpm, "the blip": measures.blip_undershoot_rpm}
    for after, below in falls.items():
        if not math.isnan(below):
            told.append(f"after {after} speed falls {max(0.0, below):.0f} rpm below target")
    if not told:
        told.append(f"lowest speed {trace.counters.get('lowest_rpm', math.nan):.0f} rpm")
    return f"{trace.name}, {trace.scenario}: {'; '.join(told)}."


@styled()
def trace_figure(trace: sim.Trace, car: sim.Car, finding: str, until_s: float | None = None) -> Figure:
    """Draw a run."""
    figure = new_figure(8.2)
    speed, valve, pressure, trim, battery = rows_of_axes(figure, [3.0, 2.2, 1.1, 1.3, 1.0])
    _draw_speed(speed, trace, car)
    _draw_valve(valve, trace, car)
    pressure.plot(trace.time_s, trace["map_kPa"], color=ink.PRESSURE, linewidth=0.8)
    pressure.set_ylabel("manifold\n[kPa]")
    _draw_trim(trim, trace, car)
    battery.plot(trace.time_s, trace["battery_V"], color=ink.BLACK)
    battery.set_ylabel("battery\n[V]")
    battery.ticklabel_format(axis="y", useOffset=False)
    battery.set(xlabel="time [s]", xlim=(0.0, until_s or max(trace.duration_s, 1e-3)))
    for axes in (speed, valve, pressure, trim, battery):
        _mark_events(axes, trace, named=axes is speed)
    figure.suptitle(finding, fontsize=10, x=0.01, ha="left", wrap=True)
    figure.align_ylabels()
    return figure


@styled()
def idle_figure(trace: sim.Trace, held: sim.Trace, car: sim.Car, until_s: float) -> Figure:
    """Draw speed and valve of a run, and speed with the valve held behind it, for the report."""
    figure = new_figure(3.0)
    speed, valve = rows_of_axes(figure, [2.0, 1.3])
    width = max(1, int(np.searchsorted(held.time_s, held.time_s[0] + BAND_s)))
    bands = held["rpm"][: held["rpm"].size // width * width].reshape(-1, width)
    speed.fill_between(
        held.time_s[::width][: len(bands)], bands.min(axis=1), bands.max(axis=1), color="#c4c9ce",
        linewidth=0, label="valve held, lowest to highest",
    )  # fmt: skip
    _draw_speed(speed, trace, car)
    low, high = speed.get_ylim()
    speed.set_ylim(min(low, float(bands.min())), max(high, float(bands.max())))
    _draw_valve(valve, trace, car)
    valve.set(xlabel="time [s]", xlim=(0.0, until_s))
    for axes in (speed, valve):
        _mark_events(axes, trace, named=axes is speed)
    figure.align_ylabels()
    return figure


def _draw_speed(axes: Axes, trace: sim.Trace, car: sim.Car) -> None:
    target, half = trace["target_rpm"], car.feedback.deadband_rpm
    axes.fill_between(
        trace.time_s, target - half, target + half, step="post", color=ink.PALE, linewidth=0,
        label=f"deadband ±{half:g} rpm",
    )  # fmt: skip
    axes.plot(trace.time_s, trace["rpm"], color=ink.SPEED, linewidth=0.9, label="measured")
    axes.step(trace.time_s, target, where="post", color=ink.BLACK, ls="--", linewidth=1, label="target")
    axes.set_ylabel("speed [rpm]")
    seen = trace["rpm"]
    low, high = min(np.min(seen), np.min(target) - half), max(np.max(seen), np.max(target) + half)
    axes.set_ylim(low - 0.04 * (high - low), high + 0.04 * (high - low))
    legend_above(axes, 4)


def _draw_valve(axes: Axes, trace: sim.Trace, car: sim.Car) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.step(trace.time_s, trace["wanted_steps"], where="post", color=ink.GREY, linewidth=0.8,
              linestyle=":", label="wanted")  # fmt: skip
    axes.step(
        trace.time_s, trace["valve_steps"], where="post", color=ink.VALVE, linewidth=2.4, label="commanded"
    )
    axes.step(trace.time_s, trace["pintle_steps"], where="post", color=ink.BLACK, linewidth=1.0, label="true")
    limit = car.valve.open_limit_steps
    columns = ("wanted_steps", "valve_steps", "pintle_steps")
    low = min(float(np.min(trace[name])) for name in columns)
    high = max(float(np.max(trace[name])) for name in columns)
    if high > 0.8 * limit:
        axes.axhline(limit, color=ink.RED, linewidth=0.8, linestyle="--", label="open limit")
        high = max(high, float(limit))
    axes.set(ylim=(max(low - 1.0, -0.5), high + 1.0), ylabel="valve [steps]")
    axes.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=5))
    legend_above(axes, 4)


def _draw_trim(axes: Axes, trace: sim.Trace, car: sim.Car) -> None:
    low, high = car.feedback.trim_limit_steps
    trim = trace["trim_steps"]
    axes.step(trace.time_s, trim, where="post", color=ink.TRIM)
    for limit, reached in ((low, np.min(trim)), (high, np.max(trim))):
        if abs(limit - reached) < 0.25 * max(high - low, 1.0):
            axes.axhline(limit, color=ink.RED, linewidth=0.8, linestyle="--")
    axes.set_ylabel("trim\n[steps]")
    rests = trace["enabled"] < 0.5
    if np.any(rests[trace.time_s > 0.5]) and car.feedback.acts:
        axes.fill_between(
            trace.time_s, 0, 1, where=rests, step="post", color="#ececec", linewidth=0,
            transform=axes.get_xaxis_transform(), label="feedback does not act",
        )  # fmt: skip
        axes.legend(loc="upper right")


def _mark_events(axes: Axes, trace: sim.Trace, named: bool) -> None:
    told = [one for one in trace.events if one.name in ("scenario", "stall") and one.text != "end"]
    for place, event in enumerate(told):
        axes.axvline(event.time_s, color=ink.GREY, linewidth=0.7, linestyle=(0, (4, 3)))
        if named and place < MOST_MARKS:
            text = "stall" if event.name == "stall" else event.text
            axes.annotate(
                text, (event.time_s, 0.01), xycoords=("data", "axes fraction"), rotation=90,
                fontsize=7, color=ink.BLACK, ha="right", va="bottom",
            )  # fmt: skip
