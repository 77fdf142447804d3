"""Figure of a search: the idle before and after."""

from __future__ import annotations

import tuning
from workbench.output.drawing import BLACK, PALE, SPEED, VALVE, Figure, new_figure, styled


@styled()
def before_after_figure(result: tuning.Tuning, deadbands_rpm: tuple[float, float]) -> Figure:
    """Draw the car as its file says at loads and a blip, with present and with proposed settings."""
    figure = new_figure(2.4)
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
