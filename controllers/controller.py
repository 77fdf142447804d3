"""A controller as an object: for driving any plant, ours or not, one call an update."""

from __future__ import annotations

import math
from typing import Any, Protocol

import numpy as np

from controllers.compiling import compiled, machine_code
from controllers.curves import car_curves, read_coolant
from controllers.laws import law_of
from controllers.records import MEMORY_FIELDS, SETTINGS_FIELDS, Block, TICKS_PER_s, matrix, new_block, rows
from controllers.settings import Curves, Feedback
from controllers.shell import open_loop_steps, update

_AS_GIVEN = (
    "gain_steps_per_rpm", "integral_steps_per_rpm_s", "derivative_steps_s_per_rpm", "deadband_rpm",
    "min_move_steps", "nudge_steps", "rpm_per_step", "entry_extra_steps", "load_steps_per_W",
    "aircon_steps", "spark_deg_per_rpm",
)  # fmt: skip
"""Fields of the record that hold what the settings have under the same name."""


class _Valve(Protocol):
    @property
    def open_limit_steps(self) -> float: ...


class _ControlledCar(Protocol):
    """What a controller needs of a car: its feedback settings, open-loop curves and open limit."""

    @property
    def feedback(self) -> Feedback: ...
    @property
    def curves(self) -> Curves: ...
    @property
    def valve(self) -> _Valve: ...


def controller_row(car: _ControlledCar, feedback: Feedback | None = None) -> Any:
    """Turn feedback settings into the record that compiled code reads, one row of ``SETTINGS_FIELDS``.

    The one place where a controller's row is put together: ``gain`` and ``min_move_steps`` go from here to
    ``feedback_trim`` and ``tell_valve``.

    Parameters
    ----------
    car, feedback : object, Feedback
        The car, and other settings for it, its own when left out.

    Returns
    -------
    numpy.recarray
    """
    given = car.feedback if feedback is None else feedback
    row = rows(SETTINGS_FIELDS, 1)
    for name in _AS_GIVEN:
        row[name] = getattr(given, name)
    row["law"] = law_of(given).code
    period_ticks = float(round(given.update_period_ms * 1.0e-3 * TICKS_PER_s))
    row["period_ticks"] = period_ticks
    row["period_s"] = period_ticks / TICKS_PER_s
    row["trim_low_steps"], row["trim_high_steps"] = given.trim_limit_steps
    row["enable_above_rpm"] = given.enable_above_target_rpm
    row["enable_delay_ticks"] = given.enable_delay_s * TICKS_PER_s
    row["entry_fade_ticks"] = given.entry_fade_s * TICKS_PER_s
    row["spark_limit_deg"] = given.spark_trim_limit_deg
    row["open_limit_steps"] = car.valve.open_limit_steps
    row["after_fade_ticks"] = car.curves.after_start_fade_s * TICKS_PER_s
    return row


@compiled
def _update_once(
    c: Block, k: Block, curves: np.ndarray, coolant_degC: float, rpm: float, tick: float
) -> None:
    read_coolant(k, 0, curves, coolant_degC, 0.0)
    update(c, k, 0, rpm, tick)


@compiled
def _first_command(c: Block, k: Block, curves: np.ndarray, coolant_degC: float, tick: float) -> None:
    read_coolant(k, 0, curves, coolant_degC, 0.0)
    wanted = math.floor(open_loop_steps(c, k, 0, tick) + 0.5)
    wanted = min(max(wanted, 0.0), c.open_limit_steps[0])
    k.commanded_steps[0] = wanted
    k.wanted_steps[0] = wanted


class Controller:
    """One idle controller, driven by measurements; it knows nothing of the plant.

    The engine is taken to be running, and to have run for long, when the first call comes; ``step`` may be
    called at any rate, and ``period_s`` is the time between updates.
    """

    def __init__(self, car: _ControlledCar) -> None:
        self._curves = car_curves(car.curves)
        row = controller_row(car)
        self._settings = new_block(SETTINGS_FIELDS, 1)
        for name, value in zip(SETTINGS_FIELDS, matrix(row)[0], strict=True):
            getattr(self._settings, name)[0] = value
        self._memory = new_block(MEMORY_FIELDS, 1)
        self._begun_tick: float | None = None
        given = (self._settings, self._memory, self._curves, 0.0, 0.0, 0.0)
        self._update = machine_code(_update_once, *given)
        self.period_s = float(self._settings.period_s[0])

    def _begin(self, tick: float, coolant_degC: float) -> None:
        memory = self._memory
        memory.started_tick[0] = -1.0e13
        memory.closed_tick[0] = -1.0e13
        memory.throttle_closed[0] = 1.0
        _first_command(self._settings, memory, self._curves, coolant_degC, tick)
        self._begun_tick = tick

    def step(self, t_s: float, rpm: float, coolant_degC: float, throttle_closed: bool = True) -> int:
        """Take time [s], never falling, speed [rpm], coolant [degC]; give where the valve shall be [steps].

        An update happens whenever ``t_s`` has reached the next multiple of the period after the first call;
        between updates the last command stands. A measurement that is no finite number is a ValueError.
        """
        if not all(math.isfinite(value) for value in (t_s, rpm, coolant_degC)):
            raise ValueError(
                f"measurements must be finite numbers (t_s {t_s}, rpm {rpm}, coolant_degC {coolant_degC})"
            )
        tick = float(round(t_s * TICKS_PER_s))
        memory = self._memory
        if self._begun_tick is None:
            self._begin(tick, coolant_degC)
        since = tick - (self._begun_tick or 0.0)
        if throttle_closed and memory.throttle_closed[0] < 0.5:
            memory.closed_tick[0] = since
        memory.throttle_closed[0] = 1.0 if throttle_closed else 0.0
        if since >= memory.due_update[0]:
            self._update(self._settings, memory, self._curves, coolant_degC, rpm, since)
            # A caller slower than the period skips the updates it missed.
            period = float(self._settings.period_ticks[0])
            memory.updates[0] = math.floor(since / period) + 1.0
            memory.due_update[0] = memory.updates[0] * period
        return int(memory.commanded_steps[0])

    @property
    def trim_steps(self) -> float:
        """Trim of the last update [steps]."""
        return float(self._memory.trim_steps[0])


def make_controller(car: _ControlledCar) -> Controller:
    """Make the controller a car file describes.

    Parameters
    ----------
    car : object
        Anything with ``feedback``, ``curves`` and ``valve.open_limit_steps``; a ``sim.Car`` is.

    Returns
    -------
    Controller, whose ``step(t_s, rpm, coolant_degC, throttle_closed)`` returns the wanted steps
    """
    return Controller(car)
