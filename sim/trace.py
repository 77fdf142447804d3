"""What one run leaves: signals at every event, by name, and the list of events."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from controllers import MEMORY_FIELDS, TICKS_PER_s
from sim.files import write_beside
from sim.firing import RPM_PER_rad_s
from sim.records import STATE_FIELDS, Block

SAMPLE_s = 0.05
"""Default spacing of resampled signals [s]."""

Read = Callable[[Block, Block], np.ndarray]

SIGNALS: dict[str, Read] = {
    "rpm": lambda s, k: s.measured_rpm,
    "speed_rpm": lambda s, k: s.speed_rad_s * RPM_PER_rad_s,
    "target_rpm": lambda s, k: k.target_rpm,
    "map_kPa": lambda s, k: s.map_Pa / 1000.0,
    "coolant_degC": lambda s, k: s.coolant_degC,
    "valve_steps": lambda s, k: k.commanded_steps,
    "wanted_steps": lambda s, k: k.wanted_steps,
    "believed_steps": lambda s, k: s.believed_steps,
    "shaft_steps": lambda s, k: s.shaft_steps,
    "pintle_steps": lambda s, k: s.pintle_steps,
    "base_steps": lambda s, k: k.base_steps,
    "trim_steps": lambda s, k: k.trim_steps,
    "integral_steps": lambda s, k: k.integral_steps,
    "enabled": lambda s, k: k.enabled,
    "torque_Nm": lambda s, k: s.torque_Nm,
    "load_W": lambda s, k: s.load_W,
    "alternator_W": lambda s, k: s.given_W,
    "battery_V": lambda s, k: s.regulated_V,
    "spark_deg": lambda s, k: s.spark_deg,
    "lambda": lambda s, k: s.lambda_,
    "throttle_share": lambda s, k: s.throttle_share,
    "air_in_kg": lambda s, k: s.in_kg,
    "air_out_kg": lambda s, k: s.out_kg,
    "resisted_J": lambda s, k: s.resisted_J,
    "indicated_J": lambda s, k: s.indicated_J,
}
"""Signals of a trace, each with how it is read from the recorded state and controller memory."""

LOG_COLUMNS = (
    "rpm",
    "map_kPa",
    "coolant_degC",
    "battery_V",
    "valve_steps",
    "spark_deg",
    "target_rpm",
)
"""Columns of our own log form, after ``time_s``."""


@dataclass(frozen=True)
class Happening:
    """One event of a run.

    Attributes
    ----------
    time_s : float
        When [s].
    name : str
        What kind: ``firing``, ``controller update``, ``valve step``, ``scenario``, ``stall``.
    text : str
        In words, with numbers.
    """

    time_s: float
    name: str
    text: str


@dataclass(frozen=True)
class Trace:
    """One run: signals at every event, and the events.

    Attributes
    ----------
    time_s : numpy.ndarray
        Shape (events,), rising [s].
    signals : dict of str to numpy.ndarray
        Shape (events,) each, by the names of ``SIGNALS``; also as attributes.
    events : tuple of Happening
        What happened, in order.
    stalled_s : float
        When the engine stalled, nan if it did not [s].
    name, scenario : str
        Car and scenario.
    """

    time_s: np.ndarray
    signals: dict[str, np.ndarray]
    events: tuple[Happening, ...]
    stalled_s: float
    name: str = ""
    scenario: str = ""
    duration_s: float = 0.0
    counters: dict[str, float] = field(default_factory=dict)

    def __getattr__(self, name: str) -> np.ndarray:
        signals = self.__dict__.get("signals", {})
        if name in signals:
            return signals[name]  # type: ignore[no-any-return]
        raise AttributeError(f"no signal {name!r}, there are: {', '.join(signals)}")

    def __getitem__(self, name: str) -> np.ndarray:
        return self.time_s if name == "time_s" else self.signals[name]

    def resampled(self, name: str, spacing_s: float = SAMPLE_s) -> np.ndarray:
        """Read a signal on an even grid: sample k holds the last value within slot k.

        Parameters
        ----------
        name : str
            Name of the signal.
        spacing_s : float
            Length of a slot, above 0 [s].

        Returns
        -------
        numpy.ndarray
            Shape (duration / spacing,).
        """
        count = int(round(self.duration_s / spacing_s))
        ends = (np.arange(count) + 1) * spacing_s
        rows = np.searchsorted(self.time_s, ends - 1.0e-10, side="left") - 1
        return self.signals[name][np.maximum(rows, 0)]

    def to_csv(self, path: str | Path, spacing_s: float = SAMPLE_s) -> Path:
        """Write the trace as a log in our own form.

        Parameters
        ----------
        path : str or Path
            File to write; an existing one is replaced only when the new one is whole.
        spacing_s : float
            Spacing of the rows [s].

        Returns
        -------
        Path
            The file.

        Raises
        ------
        InputError
            If the file cannot be written.
        """
        columns = [self.resampled(name, spacing_s) for name in LOG_COLUMNS]
        times = (np.arange(len(columns[0])) + 1) * spacing_s
        lines = [", ".join(("time_s", *LOG_COLUMNS))]
        for row in zip(times, *columns, strict=True):
            lines.append(", ".join(f"{value:.6g}" for value in row))
        write_beside(Path(path), "\n".join(lines) + "\n")
        return Path(path)


class Columns:
    """Recorded rows of a block, read by field name as arrays.

    Parameters
    ----------
    fields : tuple of str
        Field names in order.
    rows : list of numpy.ndarray
        One copy of the block's first lane an event.
    """

    def __init__(self, fields: tuple[str, ...], rows: list[np.ndarray]) -> None:
        self._table = np.asarray(rows)
        self._fields = {name: column for column, name in enumerate(fields)}

    def __getattr__(self, name: str) -> np.ndarray:
        return np.asarray(self._table[:, self._fields[name]])


class Recorder:
    """Collects the state event by event.

    Parameters
    ----------
    state, memory : numpy.ndarray
        Shape (fields, lanes): the blocks as matrices; the first lane is recorded.
    """

    def __init__(self, state: np.ndarray, memory: np.ndarray) -> None:
        self._state = state
        self._memory = memory
        self._states: list[np.ndarray] = []
        self._memories: list[np.ndarray] = []

    def keep(self) -> None:
        """Append the present state."""
        self._states.append(self._state[:, 0].copy())
        self._memories.append(self._memory[:, 0].copy())

    def finish(self) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """Return what was recorded.

        Returns
        -------
        tuple
            Times, shape (events,) [s], and signals of that shape by name.
        """
        s = Columns(STATE_FIELDS, self._states)
        k = Columns(MEMORY_FIELDS, self._memories)
        signals = {name: np.asarray(read(s, k)) for name, read in SIGNALS.items()}
        return s.tick / TICKS_PER_s, signals
