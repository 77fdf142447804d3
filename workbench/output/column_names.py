"""Columns of a log named by hand: the text of ``--columns``."""

from __future__ import annotations

import re

import sim

NAME = re.compile(r"(?:^|,)\s*([A-Za-z]\w*)\s*=")


def columns_from_text(text: str | None) -> dict[str, str | None] | None:
    """Read ``"rpm=Engine Speed, map=Pressure [inHg]"``."""
    if text is None:
        return None
    found = list(NAME.finditer(text))
    if not found or text[: found[0].start()].strip():
        message = f'not understood ("{text}"), allowed: name=column, name=column'
        raise sim.one_problem("--columns", 1, "columns", message)
    ends = [one.start() for one in found[1:]] + [len(text)]
    pairs = zip(found, ends, strict=True)
    return {one.group(1): text[one.end() : end].strip() or None for one, end in pairs}
