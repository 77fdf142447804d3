"""Facts about a car as somebody types them: a base curve, loads, present settings, entry form."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from sim.files import one_problem

Curve = tuple[tuple[float, float], ...]

LOADS = {
    "lamps": "lamps_W", "fan": "fan_W", "screen": "screen_W", "steering": "steering_Nm",
    "aircon": "aircon_Nm", "automatic": "gearbox_Nm",
}  # fmt: skip
"""Names of loads as they are asked for, with the keys of the car file."""
USUAL_LOADS = {
    "lamps_W": 150.0, "fan_W": 180.0, "screen_W": 150.0, "steering_Nm": 12.0, "aircon_Nm": 9.0,
    "gearbox_Nm": 22.0,
}  # fmt: skip
"""What one takes that is fitted and not known better; common practice, no source [W], [N m]."""
SETTINGS = {
    "law": "law", "gain": "gain_steps_per_100rpm", "integral": "integral_steps_per_100rpm_s",
    "derivative": "derivative_steps_s_per_100rpm", "deadband": "deadband_rpm",
    "min_move": "min_move_steps", "period": "update_period_ms", "trim_low": "trim_low",
    "trim_high": "trim_high",
}  # fmt: skip
"""Short names of feedback settings, with the keys of the car file."""
ENTRY = {"unit": "output_unit", "time": "gain_time", "per_rpm": "gain_per_rpm", "sign": "sign"}
"""Short names of the entry form's parts, with the keys of the car file."""
FINEST = "finest"  # Short name of the finest step of the gains, which the car file has one by one.


def base_from_text(text: str) -> Curve:
    """Read a base curve written as ``degC:steps,degC:steps``, in the order given."""
    pairs: list[tuple[float, float]] = []
    for number, piece in enumerate(text.split(","), start=1):
        found = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*", piece)
        if found is None:
            message = f'not a pair ("{piece.strip()}"), allowed: degC:steps, such as 30:25'
            raise one_problem("--base", 1, f"pair {number}", message)
        pairs.append((float(found.group(1)), float(found.group(2))))
    return tuple(pairs)


def loads_from_text(text: str) -> dict[str, float]:
    """Read the loads fitted, written as ``lamps, fan:180, automatic``: keys of [loads], W or Nm."""
    found: dict[str, float] = {}
    for piece in (one.strip() for one in text.split(",") if one.strip() not in ("", "none")):
        name, _, size = (part.strip() for part in piece.partition(":"))
        if name not in LOADS:
            message = f'no load of that name ("{name}"), allowed: {", ".join(LOADS)}, or none'
            raise one_problem("--loads", 1, name, message)
        key = LOADS[name]
        found[key] = _number("--loads", name, size) if size else USUAL_LOADS[key]
    return found


def settings_from_text(text: str) -> dict[str, Any]:
    """Read the present feedback settings, written as ``gain=2, integral=1, period=200``, in our own form."""
    found: dict[str, Any] = {}
    trim: dict[str, float] = {}
    for name, value in _pairs("--feedback", text):
        key = _key("--feedback", name, "setting", SETTINGS)
        if key == "law":
            found[key] = value
        elif key in ("trim_low", "trim_high"):
            trim[key] = _number("--feedback", name, value)
        else:
            number = _number("--feedback", name, value)
            found[key] = int(number) if key == "min_move_steps" and number.is_integer() else number
    if trim:
        high = trim.get("trim_high", -trim.get("trim_low", 0.0))
        found["trim_limit_steps"] = [trim.get("trim_low", -high), high]
    return found


def entry_from_text(text: str) -> dict[str, Any]:
    """Read how the controller wants its numbers, written as ``unit=percent_of_travel, sign=-1``.

    Where ``finest`` does not give the finest step of the gains, it is what 0.1 steps per 100 rpm would be in
    the controller's own form [entry].
    """
    found: dict[str, Any] = {}
    finest = 0.0
    for name, value in _pairs("--entry-form", text):
        if name == FINEST:
            finest = _number("--entry-form", name, value)
            continue
        key = _key("--entry-form", name, "part", ENTRY, FINEST)
        found[key] = value
        if key in ("gain_per_rpm", "sign"):
            number = _number("--entry-form", name, value)
            found[key] = int(number) if key == "sign" and number.is_integer() else number
    usual = found.get("gain_per_rpm", 100.0) / 1000.0
    each_update = 0.1 if found.get("gain_time") == "per_update" else 1.0
    shares = {SETTINGS["gain"]: 1.0, SETTINGS["integral"]: each_update, SETTINGS["derivative"]: 1.0}
    found["resolution"] = {key: finest or float(f"{usual * share:.1g}") for key, share in shares.items()}
    if found.get("output_unit", "steps") != "steps":  # a whole percent is two steps of a fine valve
        found["resolution"] |= {"min_move_steps": 0.1, "trim_limit_steps": 0.1}
    return found


def _pairs(option: str, text: str) -> list[tuple[str, str]]:
    """Names and values of ``name=value, name=value``."""
    pairs = []
    for piece in (one.strip() for one in text.split(",") if one.strip()):
        name, equals, value = (part.strip() for part in piece.partition("="))
        if not equals or not value:
            message = f'not a pair ("{piece}"), allowed: name=value, such as gain=2'
            raise one_problem(option, 1, name, message)
        pairs.append((name, value))
    return pairs


def _key(option: str, name: str, what: str, keys: Mapping[str, str], *also: str) -> str:
    """Key of the car file by its short name, or by itself."""
    if name not in keys and name not in keys.values():
        message = f'no {what} of that name ("{name}"), allowed: {", ".join((*keys, *also))}'
        raise one_problem(option, 1, name, message)
    return keys.get(name, name)


def _number(option: str, name: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise one_problem(option, 1, name, f'not a number ("{text}"), allowed: a number') from None
