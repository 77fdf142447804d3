"""What stands on the settings sheet: its rows, and the sheet as a whole."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import tuning


@dataclass(frozen=True)
class SettingRow:
    """One setting: our number, the number to enter, and why."""

    key: str
    name: str
    ours: str
    unit: str
    entry: str
    entry_unit: str
    reason: str
    fits: bool
    present: str = ""


@dataclass(frozen=True)
class CurveRow:
    """The open-loop curves at one temperature; the base curve is as it was."""

    coolant_degC: float
    target_rpm: float
    base_steps: float
    advice_steps: float
    advice: str
    cranking_steps: float
    after_start_steps: float
    rpm_per_step: float


@dataclass(frozen=True)
class TryStep:
    """One step of trying the settings on the car."""

    title: str
    enter: str
    do: str
    go_on: str


@dataclass(frozen=True)
class Sheet:
    """Everything on the sheet, in the order in which it is printed."""

    car: str
    law: str
    temperature: str
    cautions: tuple[tuple[str, str], ...]
    settings: tuple[SettingRow, ...]
    curves: tuple[CurveRow, ...]
    homing: tuple[tuple[str, str, str], ...]
    expected: tuning.Expectation
    watch: tuple[str, ...]
    stop: tuple[str, ...]
    steps: tuple[TryStep, ...]
    basis: str = ""
    worked: str = ""
    loads: str = ""
    to_look_at: tuple[str, ...] = ()
    version: str = ""
    seed: int = 0

    @property
    def made(self) -> str:
        """What it was made with and what its numbers are, in a line."""
        return f"evenidle {self.version}, seed {self.seed}. {self.basis}"

    def to_dict(self) -> dict[str, Any]:
        """Give the sheet as plain values."""
        told = asdict(self)
        told.pop("expected")
        return told | {"expected": self.expected.to_dict()}
