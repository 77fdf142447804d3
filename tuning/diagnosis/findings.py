"""A finding: one question about an idle, answered yes, no, or with what would decide it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from tuning.notes import Note, Told

YES, NO, OPEN = "yes", "no", "cannot tell"


@dataclass(frozen=True)
class Finding(Told):
    """One question and its answer."""

    TOLD = ("name", "answer", "text", "values")

    name: str  # what is asked
    answer: str  # ``yes``, ``no`` or ``cannot tell``
    note: Note  # the answer told; where it cannot be, what would decide
    values: dict[str, float] = field(default_factory=dict)  # numbers behind it, names with units

    def _told(self) -> dict[str, Any]:
        return {"text": self.note}
