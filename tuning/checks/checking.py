"""Checks of a car file that need no engine run on the car: valve, homing, timing, curves.

The limits are common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tuning.notes import Told

if TYPE_CHECKING:
    from sim import Car
    from tuning.checks.lines import CheckLine


@dataclass(frozen=True)
class Check(Told):
    """All checks of one car, in the order valve, timing, room to move, curves."""

    TOLD = ("car", "passed", "lines")

    car: str
    lines: tuple[CheckLine, ...]

    @property
    def passed(self) -> bool:
        """Whether no check failed; a warning is no failure."""
        return all(line.verdict != "fail" for line in self.lines)


def check(car: Car) -> Check:
    """Check what can be checked without running the engine on the car."""
    from tuning.checks.curves import curve_checks, usual_checks
    from tuning.checks.room import base_spots, room_checks
    from tuning.checks.valve import valve_checks

    spots = base_spots(car)
    lines = [*valve_checks(car), *room_checks(car, spots), *curve_checks(car),
             *usual_checks(car, spots)]  # fmt: skip
    return Check(car.name, tuple(lines))
