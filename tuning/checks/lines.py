"""One line of the checks, and how its verdict is chosen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

from tuning.notes import Note, Told

Verdict = Literal["pass", "warn", "fail"]


@dataclass(frozen=True)
class CheckLine(Told):
    """One check: what, verdict, the number that decided, why it matters, and the remedy."""

    name: Note
    verdict: Verdict
    number: float | None
    unit: str
    value: Note
    reason: Note
    remedy: Note


def line(
    name: str, verdict: Verdict, number: float | None, unit: str, value: Note | Mapping[str, Any],
    remedy: Note | Mapping[str, Any] = MappingProxyType({}), **where: Any,
) -> CheckLine:  # fmt: skip
    """The check whose notes are ``checks.NAME`` and its ``.value``, ``.why`` and ``.do``."""
    code = f"checks.{name}"
    told = value if isinstance(value, Note) else Note(f"{code}.value", **value)
    do = remedy if isinstance(remedy, Note) else Note(f"{code}.do", **remedy)
    return CheckLine(Note(code, **where), verdict, number, unit, told, Note(f"{code}.why"), do)


def judged(fails: bool, warns: bool) -> Verdict:
    """Choose a verdict."""
    return "fail" if fails else "warn" if warns else "pass"
