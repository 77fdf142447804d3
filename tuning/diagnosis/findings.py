"""A finding: one question about an idle, answered yes, no, or with what would decide it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tuning.notes import Note

YES, NO, OPEN = "yes", "no", "cannot tell"


@dataclass(frozen=True)
class Finding:
    """One question and its answer."""

    name: str  # what is asked
    answer: str  # ``yes``, ``no`` or ``cannot tell``
    note: Note  # the answer told; where it cannot be, what would decide
    values: dict[str, float] = field(default_factory=dict)  # numbers behind it, names with units

    def to_dict(self) -> dict[str, Any]:
        """Give the finding as plain values, numbers that are not known as None."""
        values = {k: (v if np.isfinite(v) else None) for k, v in self.values.items()}
        told = {"name": self.name, "answer": self.answer, "text": self.note.to_dict()}
        return {**told, "values": values}
