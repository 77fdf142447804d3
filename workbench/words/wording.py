"""Notes made into sentences, in the units chosen.

A sentence is a template in the table of its subject (``workbench/words/SUBJECT.py``), with the
quantities of the note in braces:

* ``{oil_degC:.0f}`` is the number with its unit, "20 °C" or "68 °F": the end of the name tells it;
* ``{oil_degC!n:.0f}`` is the number alone, in the unit chosen;
* ``{law}`` without a unit in its name is the value as it is;
* ``{why!c}`` begins with a capital, ``{by!a:.0f}`` is without sign and unit;
* ``{more_rpm!p:yes|no}`` is the first text where the value is above nought or true, else the second,
  ``{every_s!k:yes|no}`` the first where it is known; either text may hold such quantities;
* a note, or several, within a note is its sentence, several joined by a comma.

Where a sentence depends on more than that, its entry is a function of the note's values and of
``tell``, which gives the text of such a template or of a note within.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from importlib import import_module
from string import Formatter
from typing import Any

import tuning
from workbench.words import units
from workbench.words.sentence import Sentence, capital

SUBJECTS = (
    "checks", "diagnosis", "explanation", "fit", "hunting", "open_loop", "prediction", "search_sentences",
    "starts",
)  # fmt: skip
SENTENCES: Mapping[str, Sentence] = {
    code: one
    for subject in SUBJECTS
    for code, one in import_module(f"workbench.words.{subject}").SENTENCES.items()
}
"""The sentence, or what makes it, of each code."""

UNITS = {
    "degC": "degC", "K": "K", "kPa": "kPa", "rpm": "rpm", "steps": "steps", "s": "s", "ms": "ms",
    "min": "min", "V": "V", "W": "W", "Nm": "N m", "A": "A", "mm2": "mm²", "cm3": "cm³",
    "deg": "°", "Hz": "Hz", "percent": "%", "per_min": "a minute", "rpm_per_step": "rpm per step",
    "steps_per_100rpm": "steps per 100 rpm", "steps_per_100W": "steps per 100 W",
    "steps_per_100rpm_s": "steps per 100 rpm and second", "deg_per_100rpm": "° per 100 rpm",
}  # fmt: skip
"""How a unit at the end of a name is written; longest end first."""
_ENDS = sorted(UNITS, key=len, reverse=True)
CLOSE = {"°", "°C", "°F"}  # Written without a space where it stands alone after a number.


def unit_at_end(name: str) -> str:
    """Unit that a name ends in, one of ``UNITS``; empty where it has none."""
    return next((unit for unit in _ENDS if name == unit or name.endswith(f"_{unit}")), "")


_LEFT_OUT = "\0"  # Stands for a quantity that a note has not got: only in a text that is not taken.


def _is_so(quantity: Any, how: str) -> bool:
    if how == "p":
        return quantity is not None and quantity > 0
    return math.isfinite(quantity) if isinstance(quantity, int | float) else bool(quantity)


class _Words(Formatter):
    """Fills one template with the quantities of one note."""

    def __init__(self, imperial: bool) -> None:
        self._imperial = imperial

    def get_value(self, key: int | str, _args: object, kwargs: Mapping[str, Any]) -> Any:
        """The quantity with its name, so that its unit is known where it is written."""
        return str(key), kwargs.get(str(key))

    def convert_field(self, value: Any, conversion: str | None) -> Any:
        """Mark how a quantity is wanted."""
        return (*value, conversion)

    def format_field(self, value: Any, format_spec: str) -> str:
        """Write one quantity, or one of two texts by it."""
        name, quantity, how = value
        if how in ("p", "k"):
            told, _, otherwise = format_spec.partition("|")
            return told if _is_so(quantity, how) else otherwise
        if quantity is None:
            return _LEFT_OUT
        if isinstance(quantity, tuning.Note | tuple | list):
            some = quantity if isinstance(quantity, tuple | list) else (quantity,)
            text = ", ".join(in_words(one, self._imperial) for one in some)
        else:
            text = self._plain(name, quantity, format_spec, how)
        return capital(text) if how == "c" else text

    def _plain(self, name: str, quantity: Any, format_spec: str, how: str | None) -> str:
        quantity = abs(quantity) if how == "a" else quantity
        unit = unit_at_end(name)
        if not unit or isinstance(quantity, str):
            return format(quantity, format_spec)
        number = self._number(float(quantity), unit, format_spec)
        if how in ("n", "a"):
            return number
        written = self._unit(unit)
        if written == "steps" and number.lstrip("+-") == "1":
            written = "step"
        return f"{number}{'' if written == '°' else ' '}{written}"

    def _number(self, quantity: float, unit: str, spec: str) -> str:
        if unit == "K" and self._imperial:
            quantity *= 1.8
        shown = float(units.shown(quantity, unit, self._imperial))
        text = format(shown, spec or "g")
        return text.removeprefix("-") if not any(c in "123456789" for c in text) else text

    def _unit(self, unit: str) -> str:
        if unit == "K":
            return "°F" if self._imperial else "K"
        written = units.written(unit, self._imperial)
        return UNITS.get(written, written)


def filled(template: str, values: Mapping[str, Any], imperial: bool = False) -> str:
    """Text of a template with quantities in the units chosen."""
    text = _Words(imperial).vformat(template, (), values)
    if _LEFT_OUT in text:
        raise KeyError(template)
    return text


def in_words(note: tuning.Note, imperial: bool = False) -> str:
    """The sentence of a note, in the units chosen; without a full stop where it is a part."""
    values = dict(note.values)
    sentence = SENTENCES[note.code]

    def tell(part: str | tuning.Note) -> str:
        if isinstance(part, tuning.Note):
            return in_words(part, imperial)
        return filled(part, values, imperial)

    return sentence(values, tell) if callable(sentence) else tell(sentence)


def worded(tree: Any, imperial: bool = False) -> Any:
    """The same lists and dicts with a sentence in the place of each note, or of its plain form."""
    if isinstance(tree, tuning.Note):
        return in_words(tree, imperial)
    if isinstance(tree, Mapping):
        if set(tree) == {"code", "values"}:
            return in_words(note_of(tree), imperial)
        return {key: worded(value, imperial) for key, value in tree.items()}
    if isinstance(tree, list | tuple):
        return [worded(one, imperial) for one in tree]
    return tree


def note_of(plain: Mapping[str, Any]) -> tuning.Note:
    """The note of which ``Note.to_dict`` made this; what was not finite is nan."""
    return tuning.Note(plain["code"], **{name: _value(one) for name, one in plain["values"].items()})


def _value(plain: Any) -> Any:
    if isinstance(plain, Mapping):
        return note_of(plain)
    if isinstance(plain, list):
        return tuple(_value(one) for one in plain)
    return float("nan") if plain is None else plain
