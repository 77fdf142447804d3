"""Turns what a model rejects into plain words: one line a problem, with value and allowed range."""

from __future__ import annotations

import difflib
import json
import types
import typing
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from sim.errors import InputError, Problem
from sim.key_lines import KeyPath, nearest_line

AnyModel = TypeVar("AnyModel", bound=BaseModel)
Found = list[tuple[KeyPath, str]]

_FOUND = "found"
_LONGEST_VALUE = 40
MOST_TOLD = 100
"""Problems of one file that are told one by one; to look for the right spelling of each takes its time."""
_LIMITS = ("ge", "gt", "le", "lt", "min_length", "max_length", "pattern")
_FAULTS = {
    "literal_error": "unknown value", "greater_than": "too small", "greater_than_equal": "too small",
    "less_than": "too large", "less_than_equal": "too large", "finite_number": "not a finite number",
    "too_short": "too short", "string_too_short": "too short", "too_long": "too long",
    "string_too_long": "too long", "string_pattern_mismatch": "not of the right form",
}  # fmt: skip
"""What is wrong, by the kinds of the model's own errors; any other is a wrong kind of value."""


def raise_found(found: Found) -> None:
    """Raise, from a model's own check, all problems found by it; do nothing when there are none."""
    if found:
        raise PydanticCustomError(_FOUND, "inconsistent values", {"found": found})


def key_text(path: KeyPath) -> str:
    """Write a key path for people, counted from 1: ``valve.area_mm2[3]``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def value_text(value: object) -> str:
    """Write a value as it would stand in the file, shortened to at most 40 characters."""
    if isinstance(value, bool | str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, float):
        text = f"{value:g}"
    elif isinstance(value, int):
        text = hex(value) if abs(value) > 10**40 else str(value)
    elif isinstance(value, dict):
        text = f"a table of {len(value)} keys"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(value_text(part) for part in value[:8]) + "]"
    else:
        text = " ".join(str(value).split())
    return text if len(text) <= _LONGEST_VALUE else text[: _LONGEST_VALUE - 3] + "..."


def checked(
    model: type[AnyModel], values: object, file: str, lines: dict[KeyPath, int] | None = None
) -> AnyModel:
    """Make a model of values; an `InputError` with every problem in plain words where they do not do."""
    try:
        return model.model_validate(values)
    except ValidationError as error:
        line_of = partial(nearest_line, lines or {})
        raise InputError(plain_problems(error, model, file, line_of)) from None


def plain_problems(
    error: ValidationError, model: type[BaseModel], file: str, line_of: Callable[[KeyPath], int]
) -> list[Problem]:
    """Translate a validation error into problems in plain words, in the order of the file."""
    problems: list[Problem] = []
    every = error.errors(include_url=False)
    for details in every[:MOST_TOLD]:
        for path, message in _spelled_out(details, model):
            problems.append(Problem(file, line_of(path), key_text(path) or "file", message))
    told = sorted(dict.fromkeys(problems), key=lambda problem: problem.line)
    if len(every) > MOST_TOLD:
        message = f"{len(every) - MOST_TOLD} more problems, allowed: none"
        told.append(Problem(file, told[-1].line, "file", message))
    return told


def _spelled_out(details: ErrorDetails, model: type[BaseModel]) -> Found:
    path = details["loc"]
    context: dict[str, Any] = details.get("ctx", {})
    if details["type"] == _FOUND:
        return [((*path, *inner), message) for inner, message in context["found"]]
    if "at" in context:
        return [((*path, *context["at"]), details["msg"])]
    return [(path, _message(details, path, model))]


def _message(details: ErrorDetails, path: KeyPath, model: type[BaseModel]) -> str:
    """Say in plain words what is wrong, with the value and what is allowed."""
    kind = details["type"]
    value = value_text(details["input"])
    annotation, limits, unit = _declared(model, path)
    allowed = _allowed(annotation, limits, unit)
    if kind == "missing":
        return f"missing, allowed: {allowed}"
    if kind == "extra_forbidden":
        return f"unknown key ({value}), allowed: {_known_keys(model, path)}"
    if kind in ("value_error", "assertion_error", "limits"):
        return details["msg"].removeprefix("Value error, ").removeprefix("Assertion failed, ")
    return f"{_FAULTS.get(kind, 'wrong kind of value')} ({value}), allowed: {allowed}"


def _declared(model: type[BaseModel], path: KeyPath) -> tuple[Any, dict[str, Any], str]:
    """Return annotation, limits and unit declared for a key path, as far as it can be followed."""
    annotation: Any = model
    limits: dict[str, Any] = {}
    unit = ""
    for part in path:
        annotation, inner = _peeled(annotation)
        limits = {}
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            field = annotation.model_fields.get(str(part))
            if field is None:
                return None, {}, ""
            unit = _unit(field)
            annotation = field.annotation
            limits = _limits(field.metadata)
        elif typing.get_origin(annotation) in (tuple, list) and isinstance(part, int):
            arguments = typing.get_args(annotation)
            endless = len(arguments) == 1 or arguments[-1] is Ellipsis
            if not endless and part >= len(arguments):
                return None, {}, ""
            annotation = arguments[0] if endless else arguments[part]
            if "," in unit:
                names = [name.strip() for name in unit.split(",")]
                unit = names[part] if not endless and part < len(names) else unit
        elif typing.get_origin(annotation) is dict:
            annotation = typing.get_args(annotation)[1]
        else:
            return None, {}, ""
    annotation, inner = _peeled(annotation)
    return annotation, {**limits, **inner}, unit


def _peeled(annotation: Any) -> tuple[Any, dict[str, Any]]:
    """Take ``Annotated`` and ``| None`` off an annotation, keeping the limits they carry."""
    limits: dict[str, Any] = {}
    while True:
        origin = typing.get_origin(annotation)
        if origin is typing.Annotated:
            annotation, *metadata = typing.get_args(annotation)
            limits.update(_limits(metadata))
        elif origin in (typing.Union, types.UnionType):
            options = [part for part in typing.get_args(annotation) if part is not type(None)]
            if len(options) != 1:
                return annotation, limits
            annotation = options[0]
        else:
            return annotation, limits


def _limits(metadata: list[Any]) -> dict[str, Any]:
    limits: dict[str, Any] = {}
    for item in metadata:
        if isinstance(item, FieldInfo):
            limits.update(_limits(item.metadata))
            continue
        named = {name: getattr(item, name, None) for name in _LIMITS}
        limits |= {name: found for name, found in named.items() if found is not None}
    return limits


def _unit(field: FieldInfo) -> str:
    """Return the unit that opens a field's description in square brackets, '' for none."""
    description = field.description or ""
    if not description.startswith("["):
        return ""
    unit = description[1 : description.index("]")]
    return "" if unit in ("-", "entry") else unit


def _allowed(annotation: Any, limits: dict[str, Any], unit: str) -> str:
    """Say what a declared key takes."""
    tail = f" {unit}" if unit else ""
    origin = typing.get_origin(annotation)
    if origin is typing.Literal:
        return ", ".join(value_text(option) for option in typing.get_args(annotation))
    if annotation is bool:
        return "true or false"
    if annotation is str:
        if "pattern" in limits:
            grade = 'an SAE J300 grade such as "10W-40" or "30"'
            return grade if "W-" in limits["pattern"] else "a name"
        return "text" + _length(limits, "characters")
    if annotation in (int, float):
        kind = "a whole number" if annotation is int else "a number"
        return f"{kind}{_range(limits)}{tail}"
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "a table"
    if origin in (tuple, list):
        return _allowed_array(annotation, limits, unit)
    return "a table" if origin is dict else "another kind of value"


def _allowed_array(annotation: Any, limits: dict[str, Any], unit: str) -> str:
    arguments = typing.get_args(annotation)
    if arguments[-1] is not Ellipsis and typing.get_origin(annotation) is tuple:
        return f"{len(arguments)} numbers" + (f" [{unit}]" if unit else "")
    inner, _ = _peeled(arguments[0])
    if typing.get_origin(inner) is tuple:
        return f"a list{_length(limits, 'pairs')} [{unit}]"
    if isinstance(inner, type) and issubclass(inner, BaseModel):
        return f"a list of tables{_length(limits, 'tables')}"
    return f"a list of numbers{_length(limits, 'numbers')}"


def _range(limits: dict[str, Any]) -> str:
    low, high = limits.get("ge", limits.get("gt")), limits.get("le", limits.get("lt"))
    above = " above" if "gt" in limits else " from"
    if low is not None and high is not None:
        return f"{above} {low:.10g} to {high:.10g}"
    if low is not None:
        return f"{above} {low:.10g}"
    return f" up to {high:.10g}" if high is not None else ""


def _length(limits: dict[str, Any], of_what: str) -> str:
    low, high = limits.get("min_length"), limits.get("max_length")
    if low is not None and high is not None:
        return f" of {low} to {high} {of_what}"
    if high is not None:
        return f" of up to {high} {of_what}"
    return f" of at least {low} {of_what}" if low is not None else ""


def _known_keys(model: type[BaseModel], path: KeyPath) -> str:
    """List the keys known where an unknown one stood, nearest spelling first."""
    annotation, _, _ = _declared(model, path[:-1])
    if not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
        return "no key here"
    known = list(annotation.model_fields)
    near = difflib.get_close_matches(str(path[-1]), known, n=1, cutoff=0.7)
    return f"perhaps {near[0]}" if near else ", ".join(known)
