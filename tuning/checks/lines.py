"""One line of the checks, and how its verdict is chosen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from tuning.notes import Note

Verdict = Literal["pass", "warn", "fail"]


@dataclass(frozen=True)
class CheckLine:
    """One check: what, verdict, the number that decided, why it matters, and the remedy."""

    name: Note
    verdict: Verdict
    number: float | None
    unit: str
    value: Note
    reason: Note
    remedy: Note

    def to_dict(self) -> dict[str, Any]:
        """Give the check as plain values, notes as code and quantities."""
        return {
            name: one.to_dict() if isinstance(one := getattr(self, name), Note) else one
            for name in self.__dataclass_fields__
        }


def judged(fails: bool, warns: bool) -> Verdict:
    """Choose a verdict."""
    return "fail" if fails else "warn" if warns else "pass"
