"""What the sliders of the page set, and what each means."""

from __future__ import annotations

from workbench.page.shown import Slide

SLIDES = (
    Slide("min_move_steps", "Minimum move", "steps", 1, 12, 1,
                "The valve is never moved by fewer steps than this."),
    Slide("deadband_rpm", "Deadband, either side", "rpm", 0, 150, 1,
                "Nothing is corrected while speed is this close to target."),
    Slide("gain_steps_per_100rpm", "Gain", "steps/100 rpm", 0, 20, 0.1,
                "Steps at once for each 100 rpm off target."),
    Slide("integral_steps_per_100rpm_s", "Integral", "steps/100 rpm/s", 0, 20, 0.1,
                "Steps more each second for each 100 rpm off target."),
    Slide("derivative_steps_s_per_100rpm", "Derivative", "steps x s/100 rpm", 0, 10, 0.1,
                "Steps against a speed that moves away from target."),
    Slide("nudge_steps", "Size of a fixed step", "steps", 1, 12, 1,
                "Steps of each correction, however far off."),
    Slide("update_period_ms", "Update period", "ms", 20, 1000, 10,
                "Time between two decisions of the controller."),
)  # fmt: skip
SCATTER = Slide(
    "scatter_share", "Combustion variation", "%", 0, 30, 0.5, "How much one firing differs from the next."
)
COOLANT = Slide("coolant_degC", "Coolant", "degC", -20, 110, 1, "Where on the curves the engine idles.")
OUTSIDE = Slide("outside_degC", "Engine and air", "degC", -30, 40, 1, "How cold it has stood.")
