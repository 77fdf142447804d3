"""One line of the checks, and how its verdict is chosen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

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


def judged(fails: bool, warns: bool) -> Verdict:
    """Choose a verdict."""
    return "fail" if fails else "warn" if warns else "pass"
