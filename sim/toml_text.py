"""Writes a model as a commented TOML table."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Mapping

from pydantic import BaseModel

_WIDTH = 100

RULE_OF_THUMB = "estimated from displacement: common practice, no source"
FROM_BASE = "estimated so that the base curve holds the target in the model"
TYPICAL = "typical value: common practice, no source"
RUBS = "only what rubs, with pumping apart: our judgement, no source"
STARTING_POINT = "starting point, to be searched"
NOT_COUNTED = "A GUESS, count it: the valve may never reach its seat"
ORIGINS = (RULE_OF_THUMB, FROM_BASE, TYPICAL, RUBS, STARTING_POINT, NOT_COUNTED)
"""Where a number that was never measured comes from: true until it is changed."""


def table_to_toml(name: str, table: BaseModel, remarks: Mapping[str, str]) -> str:
    """Return one table of a file, each key under a comment with its unit and meaning."""
    heading = re.sub(r" \(.*table ``.*``\)", "", (type(table).__doc__ or "").strip().splitlines()[0])
    lines = [f"# {heading}", f"[{name}]"]
    inner: list[str] = []
    for key, field in type(table).model_fields.items():
        value = getattr(table, key)
        if isinstance(value, BaseModel):
            inner.append("\n" + table_to_toml(f"{name}.{key}", value, remarks))
            continue
        comment = "; ".join(filter(None, (field.description, remarks.get(f"{name}.{key}"))))
        lines.extend(commented(key, value, comment))
    return "\n".join(lines) + "\n" + "".join(inner)


def commented(key: str, value: object, comment: str) -> list[str]:
    """Return the lines of one key: comment beside it where it fits, else above."""
    # A key without a value cannot be written in TOML; the line shows that it exists.
    written = f"# {key} =" if value is None else f"{key} = {toml_value(value)}"
    if len(written) + len(comment) + 4 <= _WIDTH and "\n" not in written:
        return [f"{written}  # {comment}"]
    return [*_above(comment).split("\n"), *written.split("\n")]


def without_origin(text: str, key: str, meaning: str) -> str:
    """Take out of a key's comment where its number came from, once it is another number."""
    for origin in ORIGINS:
        told = f"{meaning}; {origin}"
        beside = rf"(?m)^({re.escape(key)} = .*  # ){re.escape(told)}$"
        text = re.sub(beside, lambda line: line[1] + meaning, text)
        text = text.replace(f"{_above(told)}\n{key} =", f"{_above(meaning)}\n{key} =")
    return text


def _above(comment: str) -> str:
    """A comment on lines of its own."""
    return "\n".join(f"# {part}" for part in textwrap.wrap(comment, _WIDTH - 2))


def toml_value(value: object) -> str:
    """Return a value as TOML that reads back equal, an array of arrays a row a line."""
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int):
        return str(int(value))
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e9 else repr(float(value))
    if isinstance(value, list | tuple):
        parts = [toml_value(part) for part in value]
        if value and isinstance(value[0], list | tuple):
            return "[\n" + "".join(f"    {part},\n" for part in parts) + "]"
        return "[" + ", ".join(parts) + "]"
    raise TypeError(f"no TOML form for {type(value).__name__}")
