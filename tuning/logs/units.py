"""Units of a log's columns: how they are spelt, and how they turn into ours.

pint knows what they mean, except of speed: to it 850 1/min are 135 rpm.
"""

from __future__ import annotations

import functools
import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.logs.signals import Signal

FloatArray = NDArray[np.float64]

# Pint's own name to its spellings (lower case, no blanks, see `_key`), by kind of quantity.
_SPELT: dict[str, dict[str, str]] = {
    "time": {
        "s": "s sec secs second seconds", "ms": "ms msec millisecond milliseconds",
        "us": "us microsecond microseconds", "minute": "min mins minute minutes", "hour": "h hr hour hours",
    },
    "pressure": {
        "kPa": "kpa kpaabs kpaa kpag", "Pa": "pa", "hPa": "hpa", "mbar": "mbar mb mbarabs",
        "bar": "bar bara barabs barg", "psi": "psi psia psiabs psig", "inHg": 'inhg "hg inhgabs',
        "mmHg": "mmhg", "torr": "torr", "atm": "atm", "kgf/cm**2": "kg/cm2",
    },
    "temperature": {
        "degC": "degc c celsius degcelsius", "degF": "degf f fahrenheit degfahrenheit",
        "kelvin": "k kelvin degk",
    },
    "voltage": {"V": "v volt volts vdc", "mV": "mv millivolt millivolts"},
    "angle": {"deg": "deg degs degree degrees degca degcrank degbtdc btdc degkw", "rad": "rad"},
    "share": {"percent": "% percent pct", "1": "fraction 0..1"},
    "road speed": {"km/h": "km/h kmh kph kmph km/hr", "mile/h": "mph mi/h", "m/s": "m/s"},
    "power": {"W": "w watt watts", "kW": "kw"},
}  # fmt: skip
_SPELLINGS = {
    kind: {one: name for name, spelt in names.items() for one in spelt.split()}
    for kind, names in _SPELT.items()
}

# Spellings of engine speed and what one of them is in rpm; of steps likewise.
_BY_HAND: dict[str, dict[str, float]] = {
    "speed": {
        **dict.fromkeys(
            ("rpm", "1/min", "min-1", "min^-1", "/min", "u/min", "r/min", "rev/min", "revs/min",
             "tr/min", "giri/min", "umin", "1/minute", "rev/minute", "revolutions/minute"), 1.0
        ),
        **dict.fromkeys(("hz", "1/s", "s-1", "s^-1", "rps", "rev/s", "r/s", "u/s"), 60.0),
        "rad/s": 30.0 / math.pi,
        **dict.fromkeys(("krpm", "rpmx1000", "x1000rpm", "x1000", "1000rpm", "1000/min"), 1000.0),
    },
    "switch": dict.fromkeys(("0/1", "on/off", "off/on"), 1.0),
    "steps": dict.fromkeys(
        ("steps", "step", "stp", "count", "counts", "schritte", "pas", "pasos", "passi", "passos", "stappen",
         "steg", "kroki", "kroky", "шаги", "步"), 1.0
    ),
}  # fmt: skip

# What may be handed to pint: letters, signs and single small powers, never a sum to work out.
_UNIT_LIKE = re.compile(r"[A-Za-zµμ°]+([ */·.^-]{1,2}([A-Za-zµμ°]+|[1-4]))*")

_GAUGE = frozenset({"psig", "barg", "kpag"})
_UNWRITTEN = frozenset({"", "-", "--", "1", "none", "n/a", "#"})
_SEA_LEVEL_kPa = 101.325


@dataclass(frozen=True)
class Conversion:
    """From what a column holds to our own unit: ours = scale x theirs + offset; ``how``: why this unit."""

    unit: str
    scale: float
    offset: float
    how: str = ""

    def __call__(self, values: FloatArray) -> FloatArray:
        """Return the values in our own unit; the same array when nothing changes."""
        if self.scale == 1.0 and self.offset == 0.0:
            return values
        return values * self.scale + self.offset


def is_written(unit: str, kind: str = "") -> bool:
    """Tell whether a unit text says anything: empty brackets and dashes do not."""
    key = _key(unit)
    return key not in _UNWRITTEN and not (kind == "temperature" and key in ("deg", "degrees"))


def is_known(unit: str) -> bool:
    """Tell whether a text is one of the everyday spellings of any unit."""
    return any(is_of_kind(unit, kind) for kind in (*_SPELLINGS, *_BY_HAND))


def is_of_kind(unit: str, kind: str) -> bool:
    """Tell whether a text is one of the everyday spellings of a unit of this kind."""
    return _key(unit) in _BY_HAND.get(kind, {}) or _key(unit) in _SPELLINGS.get(kind, {})


def conversion(unit: str, signal: Signal) -> Conversion | None:
    """Return how a written unit turns into the signal's own; None for one unknown or of another kind."""
    key = _key(unit)
    by_hand = _BY_HAND.get(signal.kind)
    if by_hand is not None:
        return Conversion(unit, by_hand[key], 0.0) if key in by_hand else None
    pint_name = _SPELLINGS[signal.kind].get(key)
    if pint_name is None and not _UNIT_LIKE.fullmatch(unit.strip()):
        return None
    scale, offset = _affine(pint_name or unit.strip(), signal.unit)
    if math.isnan(scale):
        return None
    if key in _GAUGE:
        return Conversion(unit, scale, _SEA_LEVEL_kPa, f"gauge, {_SEA_LEVEL_kPa:g} kPa added")
    return Conversion(unit, scale, offset)


def _key(unit: str) -> str:
    """Return a unit spelling in lower case without blanks, with degree and micro spelt out."""
    # A degree sign read with the wrong encoding shows up with a capital A circumflex before it.
    text = unicodedata.normalize("NFKC", unit.replace("Â", "")).lower()
    text = text.replace("°", "deg").replace("º", "deg").replace("μ", "u").replace("−", "-")
    return "".join(text.split()).strip("[](){}.").replace("deg.", "deg")


@functools.lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    return pint.UnitRegistry()


@functools.lru_cache(maxsize=256)
def _affine(theirs: str, ours: str) -> tuple[float, float]:
    """Return scale and offset from one unit to another by pint; nan when there is no way."""
    plain = "percent" if ours == "%" else ours
    if theirs == plain:
        return 1.0, 0.0
    import pint

    registry = _registry()
    try:
        zero = float(registry.Quantity(0.0, theirs).to(plain).magnitude)
        one = float(registry.Quantity(1.0, theirs).to(plain).magnitude)
    except (pint.PintError, ValueError, TypeError, AttributeError, KeyError, ArithmeticError,
            AssertionError, SyntaxError):  # fmt: skip
        # A text that is no unit fails inside pint's expression reader in any of these ways.
        return math.nan, math.nan
    return one - zero, zero


# Absolute pressure in an intake manifold at idle: 8 to 125 kPa covers decided vacuum to sea level;
# 38 kPa is the usual middle. Common practice, no source.
_PRESSURES = ("kPa", "inHg", "psi", "bar", "mbar", "Pa")
_IDLE_kPa = 38.0
_LEAST_kPa = 8.0
_MOST_kPa = 125.0
_HOTTEST_degC = 120.0
_HOTTEST_degF = 270.0
_COLDEST_K = 230.0
_WARMEST_K = 400.0


def pressure_from_values(values: FloatArray, signal: Signal) -> Conversion | None:
    """Choose the pressure unit that makes idle sense of values without a written unit, None for none."""
    middle, high = float(np.nanmedian(values)), float(np.nanmax(values))
    best: tuple[float, Conversion] | None = None
    for unit in _PRESSURES:
        found = conversion(unit, signal)
        if found is None or not found.scale * middle >= _LEAST_kPa:
            continue
        if found.scale * high > _MOST_kPa or found.scale * middle > _MOST_kPa:
            continue
        # A log that reached air pressure (engine off, or a blip) settles the unit; else the unit
        # whose middle lies nearest a usual idle is taken, as a ratio.
        far = abs(math.log(found.scale * middle / _IDLE_kPa))
        reached_air = 92.0 <= found.scale * high <= 106.0 and found.scale * middle < 80.0
        rank = far - (10.0 if reached_air else 0.0)
        how = f"no unit written: taken as {unit} from its values, middle {middle:.4g}"
        if best is None or rank < best[0]:
            best = rank, Conversion(unit, found.scale, found.offset, how)
    return None if best is None else best[1]


def temperature_from_values(values: FloatArray) -> Conversion:
    """Choose degC, degF or K for engine temperatures without a written unit."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    unit = "degF" if _HOTTEST_degC < high <= _HOTTEST_degF else "degC"
    unit = "K" if low > _COLDEST_K and high < _WARMEST_K else unit
    scale, offset = _affine(_SPELLINGS["temperature"][unit.lower()], "degC")
    how = f"no unit written: taken as {unit} from its values, {low:.4g} to {high:.4g}"
    return Conversion(unit, scale, offset, how)


def voltage_from_values(values: FloatArray) -> Conversion:
    """Choose V or mV for a supply voltage without a written unit."""
    middle = float(np.nanmedian(values))
    unit, scale = ("mV", 1e-3) if middle > 1000.0 else ("V", 1.0)
    how = f"no unit written: taken as {unit} from its values, middle {middle:.4g}"
    return Conversion(unit, scale, 0.0, how)


def speed_from_values(values: FloatArray, unit: str) -> Conversion:
    """Choose rpm or thousands of rpm for a speed without a written unit."""
    high = float(np.nanmax(values))
    if 0.2 < high < 9.0:
        return Conversion("1000 rpm", 1000.0, 0.0, f"no unit written: taken as 1000 rpm, highest {high:.4g}")
    return Conversion(unit, 1.0, 0.0, f"no unit written: taken as {unit}")


def time_from_interval(interval: float) -> Conversion:
    """Choose s, ms or us for a time column without a written unit."""
    unit, scale = ("us", 1e-6) if interval >= 5000.0 else ("ms", 1e-3) if interval >= 5.0 else ("s", 1.0)
    how = f"no unit written: taken as {unit} from rows {interval:.4g} apart"
    return Conversion(unit, scale, 0.0, how)
