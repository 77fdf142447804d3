"""Figure of a car: its open-loop curves, and how the model idles on the base curve."""

from __future__ import annotations

import numpy as np

import sim
import tuning
from workbench.output.drawing import BLACK, BLUE, GREEN, GREY, ORANGE, Figure, new_figure, styled


def curves_finding(car: sim.Car) -> str:
    """Say how well the base curve holds the target in the model."""
    spots = tuning.base_spots(car)
    worst = max(spots, key=lambda spot: abs(spot.settled_rpm - spot.target_rpm))
    low = min(spot.rpm_per_step for spot in spots)
    high = max(spot.rpm_per_step for spot in spots)
    off = worst.settled_rpm - worst.target_rpm
    return (
        f"On the base curve the engine idles within {abs(off):.0f} rpm of the target (worst at"
        f" {worst.coolant_degC:.0f} degC), and one step is worth {low:.0f} to {high:.0f} rpm."
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
    figure = new_figure((7.6, 3.4))
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
    for axes, place in ((steps, "best"), (speed, "upper right")):
        axes.set_xlabel(f"{car.temperature_name} [degC]")
        axes.legend(loc=place)
    return figure
