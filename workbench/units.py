"""Metric or imperial, by one switch: what is shown is converted at the very edge, by pint."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

IMPERIAL = {"degC": "degF", "kPa": "inHg"}
"""Shown units that differ; rpm, steps, seconds and volts are the same to everybody."""
_PINT = {"degC": "degC", "degF": "degF", "kPa": "kPa", "inHg": "inch_Hg_32F"}
WRITTEN = {"degC": "°C", "degF": "°F"}
_NUMBER = r"(?:(?<![\w.])[+-])?\d+(?:\.\d+)?"
_WITH_UNIT = re.compile(rf"({_NUMBER})(?: to ({_NUMBER}))? ?(degC|°C|kPa)\b")
_MORE_DIGITS = {"degC": 0, "kPa": 1}
"""Decimals added in imperial units, where one unit is worth more of the other."""


@cache
def _line(unit: str, other: str) -> tuple[float, float]:
    """Factor and offset from one unit to another."""
    from pint import UnitRegistry

    registry: Any = UnitRegistry(autoconvert_offset_to_baseunit=True)
    zero, one = (
        registry.Quantity(float(n), _PINT[unit]).to(_PINT[other]).magnitude for n in (0, 1)
    )
    return float(one - zero), float(zero)


def unit_of(unit: str, imperial: bool) -> str:
    """The unit in which a quantity is shown.

    Parameters
    ----------
    unit : str
        Our own, such as "degC".
    imperial : bool
        Whether imperial units are wanted.

    Returns
    -------
    str
        Its name, to be looked up in ``WRITTEN`` before it is shown.
    """
    return IMPERIAL.get(unit, unit) if imperial else unit


def written(unit: str, imperial: bool) -> str:
    """The unit as it is shown.

    Parameters
    ----------
    unit : str
        Our own.
    imperial : bool
        Whether imperial units are wanted.

    Returns
    -------
    str
        Such as "°F".
    """
    shown = unit_of(unit, imperial)
    return WRITTEN.get(shown, shown)


def shown(value: Any, unit: str, imperial: bool) -> Any:
    """Convert a value or an array for showing.

    Parameters
    ----------
    value : float or numpy.ndarray
        In our unit.
    unit : str
        Our unit.
    imperial : bool
        Whether imperial units are wanted.

    Returns
    -------
    float or numpy.ndarray
        In the unit shown.
    """
    if not imperial or unit not in IMPERIAL:
        return value
    factor, offset = _line(unit, IMPERIAL[unit])
    return value * factor + offset


def taken(value: float, unit: str, imperial: bool) -> float:
    """Convert back what somebody entered.

    Parameters
    ----------
    value : float
        In the unit shown.
    unit : str
        Our unit.
    imperial : bool
        Whether imperial units are shown.

    Returns
    -------
    float
        In our unit.
    """
    if not imperial or unit not in IMPERIAL:
        return value
    factor, offset = _line(unit, IMPERIAL[unit])
    return (value - offset) / factor


def in_words(text: str, imperial: bool) -> str:
    """Convert the temperatures and pressures in a sentence.

    Parameters
    ----------
    text : str
        With numbers in our units, such as "from 20 to 90 degC"; one with a plus sign is a
        difference.
    imperial : bool
        Whether imperial units are wanted.

    Returns
    -------
    str
        The same with numbers and units converted; as it was where metric ones are wanted.
    """
    return _WITH_UNIT.sub(_converted, text) if imperial else text


def _converted(found: re.Match[str]) -> str:
    unit = "degC" if found[3] == "°C" else found[3]
    values = " to ".join(_number(one, unit) for one in found.groups()[:2] if one)
    return f"{values} {written(unit, imperial=True)}"


def _number(text: str, unit: str) -> str:
    digits = len(text.partition(".")[2]) + _MORE_DIGITS[unit]
    factor, offset = _line(unit, IMPERIAL[unit])
    if text.startswith("+"):
        return f"{float(text) * factor:+.{digits}f}"
    return f"{float(text) * factor + offset:.{digits}f}"
