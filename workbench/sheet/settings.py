"""Rows of settings for the sheet: our number, the entry, and the reason in this car's numbers."""

from __future__ import annotations

import controllers
import sim
import tuning
from workbench.sheet.writing import SettingRow
from workbench.words.laws import LAW_WORDS
from workbench.words.search import SETTINGS

OUR_FORM = ("steps", "per_second", 100.0, 1)
BESIDE = {
    "enable_delay_s": "walls and oil settle before feedback acts",
    "nudge_steps": "one move towards the target at each update",
    "rpm_per_step": "tells the law where no better position exists",
    "entry_extra_steps": "catches the fall after a blip",
    "entry_fade_s": "long enough for speed to come down to target",
    "load_steps_per_100W": "acts before speed has dipped", "aircon_steps": "acts before speed has dipped",
    "spark_trim_deg_per_100rpm": "faster than air can be",
    "spark_trim_limit_deg": "keeps it within safe timing",
}  # fmt: skip
"""Settings that no entry form describes, told only where they act, and why."""


def refuse_lost_entries(car: sim.Car) -> None:
    """Refuse a setting that the controller's entry form rounds to nothing or turns around."""
    problems = []
    gains = (controllers.GAIN, controllers.INTEGRAL, controllers.DERIVATIVE)
    for entry in tuning.to_entry(car):
        turned = car.entry_form.sign if entry.key in gains else 1
        lost = entry.ours != 0.0 and entry.entered * entry.ours * turned <= 0.0
        if lost and _acts(car, entry.key):
            where = f"feedback.{entry.key}" + (f" ({entry.part})" if entry.part else "")
            message = (
                f"rounds to {entry.text} {entry.unit} ({entry.ours:g}), allowed: a number that the"
                f" entry form holds: a finer entry_form.resolution.{entry.key} than"
                f" {entry.resolution:g}, or another gain_per_rpm or output_unit"
            )
            problems.append(sim.Problem(car.name, 1, where, message))
    if problems:
        raise sim.InputError(problems)


def worked_line(car: sim.Car) -> str:
    """What an error of 100 rpm for one second does, for the owner to check the entries by."""
    feedback = car.feedback
    if not controllers.law_of(feedback).has_gains:
        return ""
    gain, integral = feedback.gain_steps_per_100rpm, feedback.integral_steps_per_100rpm_s
    moved = gain + integral
    percent = 100.0 * moved / car.valve.travel_steps
    told = (
        f"To check the entries: target 100 rpm above speed for 1 s must open the valve by {moved:.1f} steps"
        f" ({percent:.1f} % of travel): {gain:.1f} at once and {integral:.1f} in that second."
    )
    form = car.entry_form
    if (form.output_unit, form.gain_time, form.gain_per_rpm, form.sign) != OUR_FORM:
        told += f" As typed: {_typed(car)}."
    if gain > 0.0 and integral > 0.0:
        told += (
            f" As other forms: time constant {gain / integral:.2f} s, inverse gain {100.0 / gain:.0f} rpm per"
            f" step ({car.valve.travel_steps / gain:.0f} rpm per % of travel)."
        )
    return told


def _typed(car: sim.Car) -> str:
    """The same worked with the numbers that are entered."""
    form, by_key = car.entry_form, {entry.key: entry for entry in tuning.to_entry(car)}
    gain, integral = by_key[controllers.GAIN], by_key[controllers.INTEGRAL]
    times = 100.0 / form.gain_per_rpm
    each = 1000.0 / by_key["update_period_ms"].entered if form.gain_time == "per_update" else 1.0
    updates = f" x {each:.4g} updates" if form.gain_time == "per_update" else ""
    total = times * (gain.entered + integral.entered * each)
    turned = ", which opens, as this controller counts the other way" if form.sign < 0 else ""
    unit = gain.unit.partition(" per ")[0]
    return f"{gain.text} x {times:g} + {integral.text} x {times:g}{updates} = {total:.2f} {unit}{turned}"


def _present(before: sim.Car | None) -> dict[str, str]:
    """Entries of the settings to go back to, by key and part."""
    if before is None:
        return {}
    told = {f"{one.key} {one.part}".strip(): one.text for one in tuning.to_entry(before)}
    beside = {key: f"{getattr(before.feedback, key):.4g}" for key in BESIDE}
    return {**told, **beside, "law": before.feedback.law}


def setting_rows(
    car: sim.Car, spots: list[tuning.Spot], expected: tuning.Expectation, before: sim.Car | None = None
) -> list[SettingRow]:
    """Make the rows of settings."""
    law, present = car.feedback.law, _present(before)
    told = LAW_WORDS.get(law, "")
    rows = [SettingRow("law", "law", law, "", law, "", told, True, present.get("law", ""))]
    reasons = _reasons(car, spots, expected)
    order = list(SETTINGS)
    entries = sorted(tuning.to_entry(car), key=lambda entry: order.index(entry.key))
    for entry in entries:
        if not _acts(car, entry.key):
            continue
        name, unit = SETTINGS[entry.key]
        name = f"{name}, {entry.part}" if entry.part else name
        reason = reasons[f"{entry.key} {entry.part}".strip()]
        if not entry.fits:
            reason = f"CUT OFF at the largest value the entry takes; {reason}"
        back = present.get(f"{entry.key} {entry.part}".strip(), "")
        ours = f"{entry.ours:.4g}"
        rows.append(SettingRow(entry.key, name, ours, unit, entry.text, entry.unit, reason, entry.fits, back))
    for key, reason in BESIDE.items():
        name, unit = SETTINGS[key]
        if _acts(car, key):
            ours = f"{getattr(car.feedback, key):.4g}"
            rows.append(SettingRow(key, name, ours, unit, ours, unit, reason, True, present.get(key, "")))
    return rows


def _acts(car: sim.Car, key: str) -> bool:
    """Whether a setting does anything with this law and these values."""
    feedback = car.feedback
    if key == "entry_fade_s":
        return feedback.entry_extra_steps > 0.0
    if key == "spark_trim_limit_deg":
        return feedback.spark_trim_deg_per_100rpm > 0.0
    if key not in BESIDE or key in ("enable_delay_s", "nudge_steps", "rpm_per_step"):
        return controllers.setting_acts(feedback, key)
    return float(getattr(feedback, key)) > 0.0


def _reasons(car: sim.Car, spots: list[tuning.Spot], expected: tuning.Expectation) -> dict[str, str]:
    """Why each number is what it is, in numbers of this car."""
    feedback, warm = car.feedback, spots[-1]
    least = min(spot.rpm_per_step for spot in spots)
    steep = max(spots, key=lambda spot: spot.rpm_per_step)
    move_rpm = feedback.min_move_steps * steep.rpm_per_step
    step_ms = car.valve.step_ms
    lost = feedback.gain_steps_per_rpm * warm.rpm_per_step
    grows = feedback.integral_steps_per_rpm_s * warm.rpm_per_step
    wide = 2.0 * feedback.deadband_rpm
    low_rpm, high_rpm, floor_rpm = warm.close_rpm, warm.open_rpm, expected.prediction.floor_rpm
    stuck = "; BELOW WHAT THE HIGH TRIM LIMIT ADDS: a load going off may leave the engine fast"
    stuck = stuck if high_rpm > feedback.enable_above_target_rpm else ""
    return {
        "gain_steps_per_100rpm": f"answers at once {100.0 * lost:.0f} % of an error, at a valve"
        f" gain of {least:.0f} to {steep.rpm_per_step:.0f} rpm per step",
        "integral_steps_per_100rpm_s": f"takes away {100.0 * grows:.0f} % of a lasting error each second",
        "derivative_steps_s_per_100rpm": "answers a falling speed before the error has grown",
        "deadband_rpm": f"{wide:.0f} rpm in all, {'wider' if wide >= move_rpm else 'NARROWER'} than a move"
        f" ({move_rpm:.0f} rpm at {steep.coolant_degC:g} °C); valve held, speed swings {floor_rpm:.0f} rpm",
        "min_move_steps": f"one move changes speed by up to {move_rpm:.0f} rpm; smaller ones come more often",
        "update_period_ms": f"time for {feedback.update_period_ms / step_ms:.0f} steps of the valve"
        " between two decisions",
        "trim_limit_steps low": f"can take away {low_rpm:.0f} rpm when warm",
        "trim_limit_steps high": f"can add {high_rpm:.0f} rpm when warm",
        "enable_above_target_rpm": "above it speed is left to fall by itself after a blip" + stuck,
    }
