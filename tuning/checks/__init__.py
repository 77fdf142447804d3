"""Checks of a car file that need no engine run on the car."""

from __future__ import annotations

from tuning.checks.checking import Check, check
from tuning.checks.room import Spot, base_error_steps, base_spots
from tuning.checks.valve import valve_checks

__all__ = ["Check", "Spot", "base_error_steps", "base_spots", "check", "valve_checks"]
