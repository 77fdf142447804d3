"""One line of the checks, and how its verdict is chosen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["pass", "warn", "fail"]


@dataclass(frozen=True)
class CheckLine:
    """One check.

    Attributes
    ----------
    name : str
        What was checked.
    verdict : str
        "pass", "warn" or "fail".
    number : float or None
        The number that decided, in ``unit``.
    unit : str
        Its unit.
    value : str
        The number with what it is compared with, in words.
    reason : str
        Why it matters.
    remedy : str
        What to do where it does not pass.
    """

    name: str
    verdict: Verdict
    number: float | None
    unit: str
    value: str
    reason: str
    remedy: str


def judged(fails: bool, warns: bool) -> Verdict:
    """Choose a verdict.

    Gives "fail", "warn" or "pass".
    """
    return "fail" if fails else "warn" if warns else "pass"
