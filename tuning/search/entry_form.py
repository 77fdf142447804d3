"""Feedback settings in the form the car's controller takes (``[entry_form]``), and back.

We count gains in steps per 100 rpm, and per second; what ``ENTRY_KEYS`` lacks is carried through.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from controllers import DERIVATIVE, GAIN, INTEGRAL, Feedback
from sim import Car, with_values
from tuning.notes import Told

GAIN_KEYS = (GAIN, INTEGRAL, DERIVATIVE)
ENTRY_KEYS = (
    "update_period_ms",  # first: gains counted per update need it
    *GAIN_KEYS,
    "deadband_rpm",
    "min_move_steps",
    "trim_limit_steps",
    "enable_above_target_rpm",
)
"""Settings that ``[entry_form]`` describes, in the order in which they are converted."""

OUTPUTS = {"steps": "steps", "percent_of_travel": "% of travel", "duty_percent": "% of duty"}

_MARGIN = 1e-9


@dataclass(frozen=True)
class Entry(Told):
    """One number as entered: ``ours`` before rounding, what the entry can hold, and whether ours fits."""

    TOLD = ("key", "part", "ours", "entered", "unit", "resolution", "largest", "fits", "text")

    key: str
    part: str
    ours: float
    entered: float
    unit: str
    resolution: float
    largest: float
    fits: bool

    @property
    def text(self) -> str:
        """The number as it is typed, with the decimals of its resolution, at most 6."""
        scaled = (self.resolution * 10**count for count in range(6))
        decimals = next((n for n, one in enumerate(scaled) if abs(one - round(one)) < 1e-6), 6)
        return f"{self.entered:.{decimals}f}"


def _factor(car: Car, key: str, period_ms: float) -> float:
    """What a setting is multiplied by to be entered; per update an integral adds (integral x period) e."""
    form = car.entry_form
    unit_steps = 1.0 if form.output_unit == "steps" else car.valve.travel_steps / 100.0
    if key not in GAIN_KEYS:
        return 1.0 / unit_steps if key in ("min_move_steps", "trim_limit_steps") else 1.0
    factor = form.sign * form.gain_per_rpm / 100.0 / unit_steps
    if form.gain_time == "per_update" and key == INTEGRAL:
        factor *= period_ms / 1000.0
    if form.gain_time == "per_update" and key == DERIVATIVE:
        factor /= period_ms / 1000.0
    return factor


def _unit(car: Car, key: str) -> str:
    """Unit of an entry in words."""
    form = car.entry_form
    output = OUTPUTS[form.output_unit]
    if key in GAIN_KEYS:
        per = f"{output} per {form.gain_per_rpm:g} rpm"
        if key == GAIN:
            return per
        if form.gain_time == "per_update":
            change = " of change" if key == DERIVATIVE else ""
            return f"{per}{change} and update"
        if key == INTEGRAL:
            return f"{per} and s"
        return f"{output} x s per {form.gain_per_rpm:g} rpm"
    if key in ("min_move_steps", "trim_limit_steps"):
        return output
    return "ms" if key == "update_period_ms" else "rpm"


def _entry(car: Car, key: str, part: str, ours: float, period_ms: float) -> Entry:
    form = car.entry_form
    resolution = float(getattr(form.resolution, key))
    most = float(getattr(form.largest, key))
    highest = math.floor(most / resolution + _MARGIN) * resolution
    factor = _factor(car, key, period_ms)
    exact = ours * factor
    if key == "min_move_steps":
        entered = _min_move_entry(ours, 1.0 / factor, resolution, highest)
    else:
        # No update period is below 1 ms.
        lowest = math.ceil(1.0 / resolution) * resolution if key == "update_period_ms" else -highest
        # The nearest multiple of the resolution, halves up, without binary dust.
        multiple = math.floor(min(max(exact, lowest), highest) / resolution + 0.5)
        entered = round(multiple * resolution, 9) + 0.0
    fits = abs(exact) <= most + 0.5 * resolution
    return Entry(key, part, float(ours), entered, _unit(car, key), resolution, most, fits)


def _min_move_entry(ours: float, per_unit: float, resolution: float, highest: float) -> float:
    """Entry whose whole steps (see ``_min_move``) are nearest to those wanted."""
    choices: list[float] = [k * resolution for k in range(1, max(1, round(highest / resolution)) + 1)]

    def distance(choice: float) -> tuple[float, float]:
        return abs(_min_move(choice, per_unit) - ours), abs(choice * per_unit - ours)

    nearest: float = min(choices, key=distance)
    return round(nearest, 9)


def _min_move(entered: float, per_unit: float) -> int:
    """Whole steps that a minimum move entered amounts to: moves are whole, so it is met above."""
    return max(1, math.ceil(entered * per_unit - _MARGIN))


def to_entry(car: Car, feedback: Feedback | None = None) -> tuple[Entry, ...]:
    """Turn settings, else the car's own, into what is entered, in the order of ``ENTRY_KEYS``.

    Rounded to the nearest number the entry can hold, halves up. An integral counted per update is converted
    with the update period as entered.
    """
    given = feedback or car.feedback
    period = _entry(car, "update_period_ms", "", given.update_period_ms, 0.0)
    entries = [period]
    for key in ENTRY_KEYS[1:]:
        value = getattr(given, key)
        parts = {"low": value[0], "high": value[1]} if key == "trim_limit_steps" else {"": value}
        entries += [_entry(car, key, part, n, period.entered) for part, n in parts.items()]
    return tuple(entries)


def from_entry(car: Car, entered: Mapping[str, float | tuple[float, float]], base: Feedback) -> Feedback:
    """Turn numbers as entered into the controller back into settings, the rest as in others."""
    period_ms = entered.get("update_period_ms", base.update_period_ms)
    values: dict[str, Any] = base.model_dump()
    for key, number in entered.items():
        factor = _factor(car, key, float(period_ms)) if isinstance(period_ms, int | float) else 1.0
        if isinstance(number, tuple):
            values[key] = tuple(_clean(one / factor) for one in number)
        elif key == "min_move_steps":
            values[key] = _min_move(number, 1.0 / factor)
        else:
            values[key] = _clean(number / factor)
    try:
        return Feedback.model_validate(values)
    except ValidationError:
        return with_values(car, {"feedback": values}).feedback  # raises, with all it has to say


def _clean(value: float) -> float:
    """The value without binary dust, so that it reads as it was meant; never minus zero."""
    return float(f"{value:.12g}") + 0.0


def as_entered(car: Car, feedback: Feedback) -> Feedback:
    """Settings as they will be in the car once entered: rounded, cut off at the largest values."""
    entries = to_entry(car, feedback)
    entered: dict[str, float | tuple[float, float]] = {
        entry.key: entry.entered for entry in entries if not entry.part
    }
    low, high = (entry.entered for entry in entries if entry.part)
    entered["trim_limit_steps"] = (low, high)
    return from_entry(car, entered, feedback)


def entry_step(car: Car, key: str, period_ms: float) -> float:
    """What one step of an entry is worth in our unit."""
    resolution = float(getattr(car.entry_form.resolution, key))
    return _clean(resolution / abs(_factor(car, key, period_ms)))


def entry_largest(car: Car, key: str, period_ms: float) -> float:
    """Largest value of an entry in our unit [any]."""
    return float(getattr(car.entry_form.largest, key)) / abs(_factor(car, key, period_ms))
