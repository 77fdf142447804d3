"""Metric or imperial, by one switch: what is shown is converted at the very edge, by pint."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

IMPERIAL = {"degC": "degF", "kPa": "inHg"}
"""Shown units that differ; rpm, steps, seconds and volts are the same to everybody."""
_PINT = {"degC": "degC", "degF": "degF", "kPa": "kPa", "inHg": "inch_Hg_32F"}
WRITTEN = {"degC": "°C", "degF": "°F"}
_NUMBER = r"(?:(?<![\w.])[+-]|\bminus )?\d+(?:\.\d+)?"
_WITH_UNIT = re.compile(rf"({_NUMBER})(?: to ({_NUMBER}))?( ?)(degC|°C|kPa)\b")
_REFUSED = re.compile(rf"\(({_NUMBER})\)(?=, allowed: [^;\n]*\d (degC|kPa)\b)")
"""A refused value, whose unit stands only with what is allowed."""
_LISTED = re.compile(r"(?<=pairs \[)(degC|kPa)(?=, \w+\])")
"""The unit of the first of each pair, in what is allowed; a log's own unit is left as it is."""
_FIRST = re.compile(rf"(?<=\[)({_NUMBER})(?=, ?[-\d.])")
"""The first of a pair of a list that is told as it stands."""
_MORE_DIGITS = {"degC": 0, "kPa": 1}
"""Decimals added in imperial units, where one unit is worth more of the other."""
_MOST_DIGITS = 2  # Nobody writes more; a number with more was worked out.


@cache
def _line(unit: str, other: str) -> tuple[float, float]:
    from pint import UnitRegistry

    registry: Any = UnitRegistry(autoconvert_offset_to_baseunit=True)
    zero, one = (registry.Quantity(float(n), _PINT[unit]).to(_PINT[other]).magnitude for n in (0, 1))
    return float(one - zero), float(zero)


def written(unit: str, imperial: bool) -> str:
    """The unit as it is shown."""
    shown = IMPERIAL.get(unit, unit) if imperial else unit
    return WRITTEN.get(shown, shown)


def shown(value: Any, unit: str, imperial: bool) -> Any:
    """Convert a value or an array for showing."""
    if not imperial or unit not in IMPERIAL:
        return value
    factor, offset = _line(unit, IMPERIAL[unit])
    return value * factor + offset


def taken(value: float, unit: str, imperial: bool) -> float:
    """Convert back what somebody entered [any]."""
    if not imperial or unit not in IMPERIAL:
        return value
    factor, offset = _line(unit, IMPERIAL[unit])
    return (value - offset) / factor


def rounded(value: float, digits: int = 0) -> str:
    """Write a number with so many decimals; next to nothing below nought is nought, not -0."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


def in_words(text: str, imperial: bool) -> str:
    """Write the temperatures and pressures in a sentence as they are shown."""
    if not imperial:
        return _WITH_UNIT.sub(_as_written, text)
    listed = _LISTED.search(text)
    if listed:  # with its numbers: a list half converted would be read wrongly
        unit = listed[1]
        text = _FIRST.sub(lambda found: _number(found[1], unit), text)
        text = _LISTED.sub(written(unit, imperial=True), text)
    text = _REFUSED.sub(lambda found: f"({_number(found[1], found[2])})", text)
    return _WITH_UNIT.sub(_converted, text)


def _as_written(found: re.Match[str]) -> str:
    number = found[0].removesuffix(found[4])
    return f"{number}{written(found[4], imperial=False)}"


def _converted(found: re.Match[str]) -> str:
    unit = "degC" if found[4] == "°C" else found[4]
    values = " to ".join(_number(one, unit) for one in found.groups()[:2] if one)
    return f"{values} {written(unit, imperial=True)}"


def _number(text: str, unit: str) -> str:
    """One number in imperial units, with about as many decimals as it had."""
    decimals = len(text.partition(".")[2])
    digits = min(decimals, _MOST_DIGITS) + _MORE_DIGITS[unit]
    factor, offset = _line(unit, IMPERIAL[unit])
    if text.startswith("+"):
        return f"{float(text) * factor:+.{digits}f}"
    told = rounded(float(text.replace("minus ", "-")) * factor + offset, digits)
    return told.rstrip("0").rstrip(".") if decimals > _MOST_DIGITS else told
