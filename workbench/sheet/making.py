"""The settings sheet: every number with its entry, reason, prediction and the way to try it."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from workbench.sheet.parts import CurveRow, Sheet
from workbench.words.cautions import CAUTIONS

if TYPE_CHECKING:
    from sim import Car
    from tuning.checks import Spot

FORMS = (".html", ".pdf", ".csv", ".json")


def make_sheet(car: Car, *, seed: int = 0, on_progress: Callable[..., None] | None = None) -> Sheet:
    """Gather a car's sheet.

    Gives to be written by `write_sheet`.
    """
    from tuning.checks import base_spots
    from tuning.prediction import expect
    from workbench.sheet.settings import setting_rows
    from workbench.sheet.trial import hunting_caution, stop_signs, try_steps, watch_points

    spots = base_spots(car)
    expected = expect(car, seed=seed, on_progress=on_progress)
    return Sheet(
        car.name,
        car.feedback.law,
        car.temperature_name,
        (*hunting_caution(expected), *CAUTIONS),
        tuple(setting_rows(car, spots, expected)),
        tuple(_curve_row(car, spot) for spot in spots),
        tuple(_homing(car)),
        expected,
        tuple(watch_points(car, expected)),
        tuple(stop_signs(car, expected)),
        tuple(try_steps(car, spots)),
    )


def _curve_row(car: Car, spot: Spot) -> CurveRow:
    from controllers import curve_at
    from tuning.checks import base_error_steps

    curves = car.curves
    error = base_error_steps(spot)
    # As far as the valve goes; that it is not far enough is told in words.
    within = min(max(error, -spot.base_steps), car.valve.open_limit_steps - spot.base_steps)
    steps = float(round(within)) if abs(within) >= 2.0 else 0.0
    advice = f"{steps:+.0f} steps" if steps else "keep"
    if math.isinf(error):
        advice = f"{'open' if error > 0.0 else 'close'} the throttle stop a little"
    return CurveRow(
        spot.coolant_degC,
        spot.target_rpm,
        spot.base_steps,
        steps,
        advice,
        curve_at(curves.cranking_steps, spot.coolant_degC),
        curve_at(curves.after_start_steps, spot.coolant_degC),
        spot.rpm_per_step,
    )


def _homing(car: Car) -> list[tuple[str, str, str]]:
    """Homing and timing: what, number, remark."""
    valve = car.valve
    seconds = valve.homing_steps * (valve.pulse_ms + valve.rest_ms) / 1000.0
    return [
        ("homing", f"{valve.homing_steps} steps closed",
         f"at power-up, {seconds:.2f} s; farthest position {valve.travel_steps} steps"),
        ("pulse, rest", f"{valve.pulse_ms:g} ms, {valve.rest_ms:g} ms",
         f"{1000.0 / (valve.pulse_ms + valve.rest_ms):.0f} steps a second"),
        ("open limit", f"{valve.open_limit_steps} steps",
         f"useful travel ends at {valve.useful_travel_steps} steps"),
        ("after-start fade", f"{car.curves.after_start_fade_s:g} s",
         f"feedback waits {car.feedback.enable_delay_s:g} s after the start"),
    ]  # fmt: skip


def write_sheet(sheet: Sheet, path: Path) -> None:
    """Write a sheet whole or not at all; the ending of the name says in which form."""
    from sim.files import one_problem, write_beside

    kind = path.suffix.lower()
    if kind not in FORMS:
        message = f'unknown form ("{path.suffix}"), allowed: {", ".join(FORMS)}'
        raise one_problem(path, 1, "--out", message)
    if kind == ".html":
        from workbench.sheet.html import sheet_page

        write_beside(path, sheet_page(sheet))
    elif kind == ".pdf":
        from workbench.sheet.pdf import sheet_pdf

        write_beside(path, sheet_pdf(sheet))
    else:
        from workbench.sheet.text import sheet_csv, sheet_json

        write_beside(path, sheet_csv(sheet) if kind == ".csv" else sheet_json(sheet))
