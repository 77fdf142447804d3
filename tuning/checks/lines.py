"""One line of the checks, and how its verdict is chosen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from tuning.notes import Note

Verdict = Literal["pass", "warn", "fail"]


@dataclass(frozen=True)
class CheckLine:
    """One check.

    Attributes
    ----------
    name : Note
        What was checked.
    verdict : str
        "pass", "warn" or "fail".
    number : float or None
        The number that decided, in ``unit``.
    unit : str
        Its unit.
    value : Note
        The number with what it is compared with.
    reason : Note
        Why it matters.
    remedy : Note
        What to do where it does not pass.
    """

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
    """Choose a verdict.

    Gives "fail", "warn" or "pass".
    """
    return "fail" if fails else "warn" if warns else "pass"
