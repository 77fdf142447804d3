"""What one run leaves: signals at every event, by name, and the list of events."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from controllers import MEMORY_FIELDS, TICKS_PER_s
from sim.files import write_beside
from sim.records import STATE_FIELDS
from sim.runs import SAMPLE_s
from sim.sensors import RPM_PER_rad_s

if TYPE_CHECKING:
    import pandas as pd

_RENAMED = {
    "rpm": ("measured_rpm", 1.0), "speed_rpm": ("speed_rad_s", RPM_PER_rad_s), "map_kPa": ("map_Pa", 1.0e-3),
    "valve_steps": ("commanded_steps", 1.0), "alternator_W": ("given_W", 1.0), "lambda": ("lambda_", 1.0),
    "air_in_kg": ("in_kg", 1.0), "air_out_kg": ("out_kg", 1.0),
}  # fmt: skip
_NAMES = """
    rpm speed_rpm target_rpm map_kPa coolant_degC coolant_sensed_degC oil_degC valve_steps wanted_steps
    believed_steps shaft_steps pintle_steps lost_steps homing base_steps cranking_steps trim_steps
    integral_steps enabled key running ignition torque_Nm load_W alternator_W spark_deg lambda
    throttle_share air_in_kg air_out_kg resisted_J indicated_J
"""
SIGNALS = {name: _RENAMED.get(name, (name, 1.0)) for name in _NAMES.split()}
"""Signals of a trace beside ``battery_V``: the recorded field of each, and its factor."""

LOG_COLUMNS = ("rpm", "map_kPa", "coolant_degC", "battery_V", "valve_steps", "spark_deg", "target_rpm")
"""Columns of our own log form, after ``time_s``."""


@dataclass(frozen=True)
class Happening:
    """One event of a run: when [s], its kind such as ``firing`` or ``valve step``, in words with numbers."""

    time_s: float
    name: str
    text: str


@dataclass(frozen=True, eq=False)
class Trace:
    """One run: signals at every event, and the events; equal where everything is, to the last bit.

    Attributes
    ----------
    time_s, signals : numpy.ndarray, dict of str to numpy.ndarray
        Shape (events,) each: rising [s], and by the names of ``SIGNALS``, also as attributes.
    events, stalled_s, duration_s : tuple of Happening, float
        What happened, in order; when the engine stalled, nan if it did not; length of the run [s].
    name, scenario, counters : str, str, dict of str to float
        Car and scenario; what the run counted, by the names of ``sim.COUNTERS``.
    """

    time_s: np.ndarray
    signals: dict[str, np.ndarray]
    events: tuple[Happening, ...]
    stalled_s: float
    name: str = ""
    scenario: str = ""
    duration_s: float = 0.0
    counters: dict[str, float] = field(default_factory=dict)

    def __repr__(self) -> str:
        end = f"stalled at {self.stalled_s:.1f} s" if self.stalled_s == self.stalled_s else "ran"
        return (
            f"<Trace of {self.name!r} in {self.scenario!r}: {self.duration_s:g} s, {end};"
            f" {len(self.signals)} signals, {len(self.events)} events>"
        )

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Trace):
            return NotImplemented
        mine, theirs = self.signals, other.signals
        return (
            (self.name, self.scenario, self.duration_s, self.events)
            == (other.name, other.scenario, other.duration_s, other.events)
            and mine.keys() == theirs.keys()
            and _same(self.time_s, other.time_s)
            and all(_same(values, theirs[name]) for name, values in mine.items())
            and self.counters.keys() == other.counters.keys()
            and _same(list(self.counters.values()), list(other.counters.values()))
        )

    __hash__ = None  # type: ignore[assignment]

    def __getattr__(self, name: str) -> np.ndarray:
        signals = self.__dict__.get("signals", {})
        if name in signals:
            return signals[name]
        raise AttributeError(f"no signal {name!r}, there are: {', '.join(signals)}")

    def __getitem__(self, name: str) -> np.ndarray:
        return self.time_s if name == "time_s" else self.signals[name]

    def resampled(self, name: str, spacing_s: float = SAMPLE_s) -> np.ndarray:
        """Read a signal on an even grid: sample k holds the last value within slot k, all above 0 s long.

        Shape (duration / spacing,).
        """
        count = int(round(self.duration_s / spacing_s))
        ends = (np.arange(count) + 1) * spacing_s
        rows = np.searchsorted(self.time_s, ends - 1.0e-10, side="left") - 1
        return self.signals[name][np.maximum(rows, 0)]

    def to_frame(self, spacing_s: float | None = None) -> pd.DataFrame:
        """The signals as a pandas table, one column a signal, over ``time_s``.

        On an even grid of a spacing [s]; at every event when that is left out.
        """
        import pandas as pd

        columns, times = self.signals, self.time_s
        if spacing_s is not None:
            columns = {name: self.resampled(name, spacing_s) for name in self.signals}
            times = (np.arange(len(columns["rpm"])) + 1) * spacing_s
        return pd.DataFrame(columns, index=pd.Index(times, name="time_s"))

    def to_csv(self, path: str | Path, spacing_s: float = SAMPLE_s) -> Path:
        """Write the trace as a log in our own form, a row each so many seconds; gives its path.

        An existing file is replaced only when the new one is whole.
        """
        columns = [self.resampled(name, spacing_s) for name in LOG_COLUMNS]
        times = (np.arange(len(columns[0])) + 1) * spacing_s
        lines = [", ".join(("time_s", *LOG_COLUMNS))]
        lines += [", ".join(f"{value:.6g}" for value in row) for row in zip(times, *columns, strict=True)]
        write_beside(Path(path), "\n".join(lines) + "\n")
        return Path(path)


def _same(one: ArrayLike, other: ArrayLike) -> bool:
    """Whether two arrays hold the same, nan where nan is."""
    return np.array_equal(np.asarray(one), np.asarray(other), equal_nan=True)


class Recorder:
    """Collects the state of the first lane event by event, from state and memory as matrices."""

    def __init__(self, state: np.ndarray, memory: np.ndarray) -> None:
        self._state = state
        self._memory = memory
        self._states: list[np.ndarray] = []
        self._memories: list[np.ndarray] = []
        self._volts: list[float] = []

    def keep(self, battery_V: float) -> None:
        """Append the present state."""
        self._states.append(self._state[:, 0].copy())
        self._memories.append(self._memory[:, 0].copy())
        self._volts.append(battery_V)

    def finish(self) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """Times [s] and signals by name, shape (events,) each."""
        columns = dict(zip(STATE_FIELDS, np.asarray(self._states).T, strict=True))
        columns |= dict(zip(MEMORY_FIELDS, np.asarray(self._memories).T, strict=True))
        signals = {
            name: np.ascontiguousarray(columns[field]) * factor for name, (field, factor) in SIGNALS.items()
        }
        signals["battery_V"] = np.asarray(self._volts)
        return columns["tick"] / TICKS_PER_s, signals
