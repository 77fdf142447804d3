"""Figures of recorded logs: what a log is made of, how a fit follows it, prediction after a try."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

import tuning
from workbench.output import drawing as ink
from workbench.output.drawing import Axes, Figure, legend_above, new_figure, rows_of_axes, styled
from workbench.words import units
from workbench.words.wording import in_words

BANDS = (
    ("hunting", ink.RED, "hunting"), ("load", ink.ORANGE, "load"), ("step", ink.BLUE, "valve step"),
    ("steady", ink.GREEN, "steady"), ("driven", ink.GREY, "throttle"), ("start", ink.BLACK, "start"),
)  # fmt: skip
"""Kinds of segment shown as a strip each, from the top, with colour and name."""
COLOURS = {"valve_steps": ink.VALVE, "map_kPa": ink.PRESSURE}


@styled()
def segments_figure(
    log: tuning.Log, segments: Sequence[tuning.Segment], finding: str = "", imperial: bool = False
) -> Figure:
    """Draw a log with what it is made of."""
    log = tuning.with_rising_time(log)
    shown = [band for band in BANDS if any(one.kind == band[0] for one in segments)]
    named = (
        ("valve_steps", "steps", "valve\n[steps]"),
        ("map_kPa", "kPa", f"manifold\n[{units.written('kPa', imperial)}]"),
    )
    lower = [one for one in named if getattr(log, one[0]) is not None]
    strips = 0.35 * max(len(shown), 1)
    figure = new_figure(2.0 + 0.9 * len(lower) + 0.6 * strips)
    axes = rows_of_axes(figure, [3.0, strips, *([1.3] * len(lower))])
    speed, bands, *others = axes
    speed.plot(log.time_s, log.rpm, color=ink.SPEED, linewidth=0.8, label="recorded")
    if log.target_rpm is not None:
        speed.plot(log.time_s, log.target_rpm, color=ink.BLACK, linestyle="--", linewidth=1, label="target")
        legend_above(speed, 2)
    speed.set_ylabel("engine speed [rpm]")
    _draw_bands(bands, segments, shown)
    for axis, (name, unit, label) in zip(others, lower, strict=True):
        values = units.shown(getattr(log, name), unit, imperial)
        axis.step(log.time_s, values, where="post", color=COLOURS[name], linewidth=0.9)
        axis.set_ylabel(label)
    axes[-1].set(xlabel="time [s]", xlim=(float(log.time_s[0]), float(log.time_s[-1])))
    _title(figure, units.in_words(finding, imperial))
    figure.align_ylabels()
    return figure


def _title(figure: Figure, finding: str) -> None:
    """Set what a figure shows above it; nothing where that is told elsewhere."""
    if finding:
        figure.suptitle(finding, fontsize=10, x=0.01, ha="left", wrap=True)


def _draw_bands(
    axes: Axes, segments: Sequence[tuning.Segment], shown: Sequence[tuple[str, str, str]]
) -> None:
    for row, (kind, colour, _) in enumerate(shown):
        spans = [(one.from_s, max(one.length_s, 0.2)) for one in segments if one.kind == kind]
        axes.broken_barh(spans, (-row - 0.38, 0.76), facecolors=colour, edgecolor="white", linewidth=0.5)
    axes.set_yticks([-row for row in range(len(shown))], [name for _, _, name in shown])
    axes.set_ylim(-len(shown) + 0.4, 0.6)
    axes.grid(visible=False)
    axes.tick_params(axis="y", length=0)


def diagnosis_figure(
    log: tuning.Log, diagnosis: tuning.Diagnosis, *, titled: bool = True, imperial: bool = False
) -> Figure:
    """Draw a log under its diagnosis."""
    finding = in_words(diagnosis.lines()[0], imperial) if titled else ""
    return segments_figure(log, diagnosis.segments, finding, imperial)


def fit_finding(fit: tuning.Fit) -> str:
    """Say in one sentence what a fit shows."""
    errors = [one.rms_rpm for one in fit.held_back]
    rms = float(np.sqrt(np.mean(np.square(errors)))) if errors else float("nan")
    if not fit.trusted:
        return f"Not to be trusted: {in_words(fit.reasons[0])}."
    return (
        f"The fitted model predicts stretches of a held valve that it had not seen to {rms:.0f} rpm rms; idle"
        f" roughness alone is {fit.scatter.rms_rpm:.0f} rpm."
    )


@styled()
def fit_figure(fit: tuning.Fit, which: int = 0, *, titled: bool = True, imperial: bool = False) -> Figure:
    """Draw how the fitted model follows one stretch of a log."""
    curve = fit.curves[which]
    with_map = curve.measured.shape[1] > 1
    figure = new_figure(4.2 if with_map else 3.2)
    axes = rows_of_axes(figure, [3.0, 1.2, *([1.8] if with_map else [])])
    _draw_signal(axes[0], curve, 0)
    axes[0].set_ylabel("engine speed [rpm]")
    left = np.where(curve.used, curve.measured[:, 0] - curve.modelled[:, 0], np.nan)
    axes[1].axhline(0.0, color=ink.BLACK, linewidth=0.8)
    axes[1].plot(curve.time_s, left, color=ink.BLUE, linewidth=0.7)
    axes[1].set_ylabel("left over\n[rpm]")
    if with_map:
        _draw_signal(axes[2], curve, 1, imperial)
        axes[2].set_ylabel(f"manifold [{units.written('kPa', imperial)}]")
    for axis in axes:
        _shade_held_back(axis, curve)
    legend_above(axes[0], 4)
    axes[-1].set(xlabel="time [s]", xlim=(float(curve.time_s[0]), float(curve.time_s[-1])))
    _title(figure, fit_finding(fit) if titled else "")
    figure.align_ylabels()
    return figure


def _draw_signal(axes: Axes, curve: tuning.Curve, signal: int, imperial: bool = False) -> None:
    measured, modelled, predicted = (
        units.shown(one[:, signal], "kPa", imperial and signal == 1)
        for one in (curve.measured, curve.modelled, curve.predicted)
    )
    axes.plot(curve.time_s, measured, color=ink.GREY, linewidth=0.8, label="recorded")
    axes.plot(curve.time_s, modelled, color=ink.BLUE, linewidth=1.3, label="fitted")
    seen = np.where(curve.held_back, predicted, np.nan)
    axes.plot(curve.time_s, seen, color=ink.RED, linewidth=1.6, linestyle=(0, (4, 1.5)),
              label="predicted without it")  # fmt: skip


def _shade_held_back(axes: Axes, curve: tuning.Curve) -> None:
    """Shade the holds that were kept back from the prediction's own fit."""
    inside = np.concatenate([[0], curve.held_back.astype(int), [0]])
    edges = np.flatnonzero(np.diff(inside)).reshape(-1, 2)
    for number, (first, past) in enumerate(edges):
        label = "kept back" if number == 0 else None
        last = min(past, curve.time_s.size - 1)
        axes.axvspan(
            curve.time_s[first], curve.time_s[last], color=ink.PALE, linewidth=0, zorder=0, label=label
        )


@styled()
def comparison_figure(comparison: tuning.Comparison) -> Figure:
    """Draw prediction and record over each other."""
    over = comparison.overlay
    with_valve = over.recorded_steps.size > 0
    figure = new_figure(5.0 if with_valve else 3.6)
    axes = rows_of_axes(figure, [2.4, *([1.4] if with_valve else [])])
    axes[0].fill_between(over.time_s, over.low_rpm, over.high_rpm, color=ink.PALE, linewidth=0,
                         label="predicted, 8 of 10 runs")  # fmt: skip
    axes[0].plot(over.time_s, over.predicted_rpm, color=ink.BLACK, linewidth=0.9, label="predicted, one run")
    axes[0].plot(over.time_s, over.recorded_rpm, color=ink.SPEED, linewidth=1.0, label="recorded")
    axes[0].set_ylabel("engine speed [rpm]")
    if with_valve:
        axes[1].step(over.time_s, over.predicted_steps, where="post", color=ink.BLACK, linewidth=1.0)
        axes[1].step(over.time_s, over.recorded_steps, where="post", color=ink.VALVE, linewidth=1.1)
        axes[1].set_ylabel("valve [steps]")
    axes[-1].set(xlabel="time [s]", xlim=(float(over.time_s[0]), float(over.time_s[-1])))
    legend_above(axes[0], 3)
    figure.suptitle(in_words(comparison.verdict), fontsize=10, x=0.01, ha="left", wrap=True)
    figure.align_ylabels()
    return figure
