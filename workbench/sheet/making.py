"""The settings sheet: every number with its entry, reason, prediction and the way to try it."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import sim
import tuning
from workbench.output.html_page import HtmlPages
from workbench.output.pdf_pages import PdfPages
from workbench.output.results import write_as
from workbench.sheet import trial
from workbench.sheet.settings import refuse_lost_entries, setting_rows, worked_line
from workbench.sheet.writing import UNSEEN, CurveRow, Sheet, sheet_bytes, sheet_csv, sheet_json
from workbench.words.cautions import CAUTIONS, basis_words, is_untrusted
from workbench.words.wording import in_words

FORMS = (".html", ".pdf", ".csv", ".json")
NEAR_K, NEAR_steps = 5.0, 3.0  # So near to what a fit saw a place of a curve is taken as seen [K], [steps].
COLD_degC = 60.0  # Colder than this an engine wants more air than it does warm [degC].


def make_sheet(
    car: sim.Car, *, seed: int = 0, before: sim.Car | None = None, even_if_untrusted: bool = False,
    on_progress: Callable[..., None] | None = None,
) -> Sheet:  # fmt: skip
    """Gather a car's sheet, to be written by `write_sheet`; refused of a fit that is not to be trusted."""
    if not even_if_untrusted:
        refuse_untrusted(car)
    spots = tuning.base_spots(car)
    refuse_lost_entries(car)
    expected = tuning.expect(car, seed=seed, on_progress=on_progress)
    untrusted = (("THE FIT IS NOT TRUSTED.", basis_words(car)),) if is_untrusted(car) else ()
    uncounted = () if car.valve.travel_counted else (("MEASURE FIRST:", trial.COUNT_FIRST),)
    return Sheet(
        car.name, car.feedback.law, car.temperature_name,
        (*untrusted, *uncounted, *trial.hunting_caution(expected), *CAUTIONS),
        tuple(setting_rows(car, spots, expected, before)), tuple(_curve_row(car, spot) for spot in spots),
        tuple(_homing(car)), expected, tuple(trial.watch_points(car, expected)),
        tuple(trial.stop_signs(car, expected)),
        tuple(trial.try_steps(car, spots, expected.prediction)), basis_words(car), worked_line(car),
        trial.loads_and_forward(car), _to_look_at(car), version(), seed, is_untrusted(car),
    )  # fmt: skip


def refuse_untrusted(car: sim.Car, file: str = "") -> None:
    """Refuse to make a sheet of numbers whose own fit says that they are wrong."""
    if is_untrusted(car):
        allowed = "a fit to a better log (evenidle fit --guide), or evenidle sheet --even-if-untrusted"
        message = f"its fit is not to be trusted ({car.car.fit_doubts}), allowed: {allowed}"
        raise sim.one_problem(file or car.name, 1, "car.fit_verdict", message)


def version() -> str:
    """Version of evenidle that is installed."""
    from importlib.metadata import PackageNotFoundError
    from importlib.metadata import version as installed

    try:
        return installed("evenidle")
    except PackageNotFoundError:
        return "not installed"


def _to_look_at(car: sim.Car) -> tuple[str, ...]:
    return tuple(
        f"{in_words(line.name)}{' (FAILS)' if line.verdict == 'fail' else ''}: {in_words(line.value)}"
        for line in tuning.check(car).lines
        if line.verdict != "pass"
    )


def _curve_row(car: sim.Car, spot: tuning.Spot) -> CurveRow:
    from controllers import curve_at

    curves = car.curves
    error = tuning.base_error_steps(spot)
    # As far as the valve goes; that it is not far enough is told in words.
    within = min(max(error, -spot.base_steps), car.valve.open_limit_steps - spot.base_steps)
    steps = float(round(within)) if abs(within) >= 2.0 else 0.0
    advice = f"{steps:+.0f} steps" if steps else "keep"
    if steps and spot.oil_behind:
        advice += " or a longer decay"
    if error == math.inf:
        # A stop cannot be further open only while cold.
        cold = spot.coolant_degC < COLD_degC
        advice = "larger or auxiliary cold-air valve" if cold else "open the throttle stop a little"
    elif error == -math.inf:
        advice = "close the throttle stop a little"
    at_degC = spot.coolant_degC
    cranking, after = (curve_at(one, at_degC) for one in (curves.cranking_steps, curves.after_start_steps))
    saw = ((at_degC, car.car.fitted_degC, NEAR_K), (spot.base_steps, car.car.fitted_steps, NEAR_steps))
    if any(seen and not seen[0] - near <= at <= seen[1] + near for at, seen, near in saw):
        advice += f" ({UNSEEN})"
    row = (at_degC, spot.target_rpm, spot.base_steps, steps, advice, cranking, after, spot.rpm_per_step)
    return CurveRow(*row)


def _homing(car: sim.Car) -> list[tuple[str, str, str]]:
    valve = car.valve
    farthest = "farthest position" if valve.travel_counted else "MEASURE FIRST: travel is a guess,"
    seconds = valve.homing_steps * valve.step_ms / 1000.0
    waits_s, fade_s = car.feedback.enable_delay_s, car.curves.after_start_fade_s
    longer = "" if waits_s >= fade_s else f"; best as long as that, {fade_s:g} s"
    return [
        ("homing", f"{valve.homing_steps} steps closed",
         f"at power-up, {seconds:.2f} s, engine standing; {farthest} {valve.travel_steps} steps"),
        ("pulse, rest", f"{valve.pulse_ms:g} ms, {valve.rest_ms:g} ms",
         f"{1000.0 / valve.step_ms:.0f} steps a second"),
        ("open limit", f"{valve.open_limit_steps} steps",
         f"useful travel ends at {valve.useful_travel_steps} steps"),
        ("after-start decay", f"{fade_s:g} s", f"feedback waits {waits_s:g} s after the start{longer}"),
    ]  # fmt: skip


def write_sheet(sheet: Sheet, path: Path) -> None:
    """Write a sheet in the form that the ending of the name says."""
    forms: dict[str, Callable[[], str | bytes]] = {
        ".html": lambda: sheet_bytes(sheet, HtmlPages), ".pdf": lambda: sheet_bytes(sheet, PdfPages),
        ".csv": lambda: sheet_csv(sheet), ".json": lambda: sheet_json(sheet),
    }  # fmt: skip
    write_as(path, forms)
