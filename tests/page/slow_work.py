"""Work that jobs are tested with; it is run in a process of its own."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from sim.files import one_problem

if TYPE_CHECKING:
    from workbench.page.jobs import Tell


def count(tell: Tell, *, until: int, pause_s: float = 0.0) -> int:
    """Count, telling each number."""
    for number in range(until):
        tell(number / until, f"number {number}", last=number)
        time.sleep(pause_s)
    return until


def keep_what_there_is(tell: Tell) -> str:
    """Go on until asked to stop, then give something."""
    try:
        while True:
            tell(0.5, "on and on")
            time.sleep(0.01)
    except KeyboardInterrupt:
        return "the best so far"


def deaf(_tell: Tell) -> None:
    """Never tell, so never hear."""
    time.sleep(600.0)


def refuse(_tell: Tell) -> None:
    """Meet something that cannot be used."""
    raise one_problem("/somewhere/a.csv", 7, "rpm", "no number (x), allowed: a number")


def break_down(_tell: Tell) -> None:
    """Meet what nobody thought of."""
    raise RuntimeError("nobody thought of this")
