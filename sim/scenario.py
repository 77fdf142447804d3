"""A scenario: surroundings, starting state and timed events, read from TOML."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from controllers import within
from sim.car_tables import Real, Table, Text, Truth
from sim.files import bundled_folder, find_file, read_toml
from sim.key_lines import KeyPath
from sim.problems import checked, raise_found, value_text

EventName = Literal[
    "lamps", "fan", "screen", "steering", "aircon", "gearbox", "clutch", "electrical_W",
    "torque_Nm", "throttle_share", "vacuum_leak_mm2", "coolant_degC", "regulated_V", "lost_steps",
    "valve_sticks", "backlash_steps", "weak_cylinder_share", "rpm_noise_rpm",
    "advance_deg_per_100rpm", "wired_reversed", "key", "home", "battery_V", "fuel_cut",
]  # fmt: skip

KEY_POSITIONS = ("off", "on", "crank")

EVENT_RANGES: dict[str, tuple[float, float]] = {
    "lamps": (0, 3), "fan": (0, 3), "screen": (0, 3), "steering": (0, 3), "aircon": (0, 3),
    "gearbox": (0, 3), "clutch": (0, 3), "electrical_W": (0, 3000), "torque_Nm": (-50, 200),
    "throttle_share": (0, 1), "vacuum_leak_mm2": (0, 200), "coolant_degC": (-40, 130),
    "regulated_V": (6, 16), "lost_steps": (-400, 400), "valve_sticks": (0, 1),
    "backlash_steps": (0, 10), "weak_cylinder_share": (0, 1), "rpm_noise_rpm": (0, 100),
    "advance_deg_per_100rpm": (-20, 20), "wired_reversed": (0, 1), "home": (1, 1),
    "battery_V": (6, 14), "fuel_cut": (0, 1),
}  # fmt: skip
"""Lowest and highest value of each event that takes a number.

Loads are multiples of what the car has fitted: 0 off, 1 on. A torque below 0 drives the engine, as wheels do.
"""

WHOLE_EVENTS = ("lost_steps", "valve_sticks", "wired_reversed", "home", "fuel_cut")


class Event(Table):
    """One thing that happens during a run (array of tables ``[[event]]``)."""

    at_s: Real = within(0, 3600, "[s] when, from the start of the run")
    set: EventName = Field(description="[-] what is set")
    to: float | str = Field(default=1.0, description="[-] its new value; loads as multiples of the car's own,"
        " key as off, on, crank")  # fmt: skip

    @property
    def number(self) -> float:
        """The new value as a number; the key counts off 0, on 1, crank 2 [any]."""
        return float(KEY_POSITIONS.index(self.to)) if isinstance(self.to, str) else self.to

    @field_validator("to", mode="plain")
    @classmethod
    def _number_or_word(cls, value: object) -> float | str:
        if isinstance(value, str):
            return value
        if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9:
            return float(value)
        raise PydanticCustomError(
            "value_error",
            "wrong kind of value ({value}), allowed: a number, or off, on, crank for the key",
            {"value": value_text(value)},
        )

    @model_validator(mode="after")
    def _value_in_range(self) -> Event:
        value = value_text(self.to)
        if self.set == "key":
            if self.to not in KEY_POSITIONS:
                message = f"no position of the key ({value}), allowed: {', '.join(KEY_POSITIONS)}"
                raise_found([(("to",), message)])
            return self
        low, high = EVENT_RANGES[self.set]
        if self.set == "home":
            allowed = "1, or leave it out"
        elif self.set in WHOLE_EVENTS and high == 1:
            allowed = "0 or 1"
        else:
            kind = "a whole number" if self.set in WHOLE_EVENTS else "a number"
            allowed = f"{kind} from {low:g} to {high:g} for {self.set}"
        if isinstance(self.to, str):
            raise_found([(("to",), f"wrong kind of value ({value}), allowed: {allowed}")])
        elif not low <= self.to <= high:
            raise_found([(("to",), f"out of range ({value}), allowed: {allowed}")])
        elif self.set in WHOLE_EVENTS and not self.to.is_integer():
            raise_found([(("to",), f"not whole ({value}), allowed: {allowed}")])
        return self


class Window(Table):
    """A span of the run over which something is measured (array of tables ``[[measure]]``)."""

    what: Literal["hunting", "load", "blip", "start"] = Field(description="[-] what is measured")
    from_s: Real = within(0, 3600, "[s] beginning of the span")
    to_s: Real = Field(gt=0, le=3600, description="[s] end of the span")

    @model_validator(mode="after")
    def _forwards(self) -> Window:
        if self.to_s <= self.from_s:
            message = f"not after from_s ({self.to_s:g}), allowed: above {self.from_s:g} s"
            raise_found([(("to_s",), message)])
        return self


class Scenario(Table):
    """What happens during one run, and over which spans it is measured."""

    name: Text = Field(min_length=1, max_length=80, description="[-] what the scenario is called")
    note: Text = Field(default="", max_length=4000, description="[-] what it shows")
    duration_s: Real = within(1, 3600, "[s] length of the run")
    coolant_degC: Real = within(-40, 130, "[degC] coolant and oil at the start", 90.0)
    ambient_degC: Real = within(-40, 60, "[degC] outside air", 20.0)
    altitude_m: Real = within(-500, 5000, "[m] geopotential height above sea level", 0.0)
    start: Literal["idle", "key_on"] = Field(default="idle", description="[-] idle: running already; key_on:"
        " at rest, to be cranked")  # fmt: skip
    warm_up: Truth = Field(default=False, description="[-] coolant and oil warm as the engine runs; false"
        " holds them. When left out: true with start key_on, else false")  # fmt: skip
    measure: tuple[Window, ...] = Field(default=(), max_length=50, description="[-] spans to be measured")
    event: tuple[Event, ...] = Field(default=(), max_length=1000, description="[-] events, in any order in"
        " the file; kept in order of time, those at the same time as they stand in the file")  # fmt: skip

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, given: Any) -> Any:
        """An engine started cold warms up unless the file says otherwise."""
        if not isinstance(given, Mapping):
            return given
        return {"warm_up": given.get("start") == "key_on"} | dict(given)

    @model_validator(mode="after")
    def _within_duration(self) -> Scenario:
        ends: list[tuple[KeyPath, float]] = [
            *((("event", index, "at_s"), event.at_s) for index, event in enumerate(self.event)),
            *((("measure", index, "to_s"), window.to_s) for index, window in enumerate(self.measure)),
        ]
        allowed = f"allowed: up to duration_s, {self.duration_s:g} s"
        raise_found(
            [
                (path, f"after the end of the run ({at_s:g}), {allowed}")
                for path, at_s in ends
                if at_s > self.duration_s
            ]
        )
        # Only now: the messages above count the events as they stand in the file.
        ordered = tuple(sorted(self.event, key=lambda event: event.at_s))
        object.__setattr__(self, "event", ordered)
        return self


def load_scenario(path_or_name: str | Path) -> Scenario:
    """Read a scenario file.

    Parameters
    ----------
    path_or_name : str or Path
        Path of a TOML file, or the name of a bundled scenario such as ``"warm_idle"``.

    Returns
    -------
    Scenario, checked and unchangeable

    Raises
    ------
    InputError
        With every problem of the file, each with file, line, key, value and what is allowed.
    """
    path = find_file(path_or_name, bundled_folder(), "scenario")
    values, lines = read_toml(path)
    return checked(Scenario, values, str(path), lines)
