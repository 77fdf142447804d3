"""A controller as an object: for driving any plant, ours or not, one call an update."""

from __future__ import annotations

import math
from typing import Any, Protocol

import numpy as np

from controllers import law_none, law_nudge, law_pi, law_pi_park, law_pid
from controllers.compiling import compiled, machine_code
from controllers.curves import curve_table, read_coolant
from controllers.records import (
    MEMORY_FIELDS,
    SETTINGS_FIELDS,
    Block,
    TICKS_PER_s,
    matrix,
    new_block,
    rows,
)
from controllers.settings import Curves, Feedback
from controllers.shell import open_loop_steps, update

LAW_CODES = {
    "none": law_none.CODE,
    "pi": law_pi.CODE,
    "pid": law_pid.CODE,
    "nudge": law_nudge.CODE,
    "pi_park": law_pi_park.CODE,
}
"""Code of each law by its name in the car file."""


class _Valve(Protocol):
    @property
    def open_limit_steps(self) -> float: ...


class ControlledCar(Protocol):
    """What a controller needs of a car: its feedback settings, curves and open limit."""

    @property
    def feedback(self) -> Feedback:
        """Settings of the closed loop."""
        ...

    @property
    def curves(self) -> Curves:
        """Open-loop curves."""
        ...

    @property
    def valve(self) -> _Valve:
        """Its open limit."""
        ...


def law_code(name: str) -> float:
    """Code of a law.

    Parameters
    ----------
    name : str
        One of ``LAW_CODES``.

    Returns
    -------
    float
        The code [-].

    Raises
    ------
    ValueError
        If there is no such law.
    """
    if name not in LAW_CODES:
        raise ValueError(f"unknown law {name!r}, allowed: {', '.join(LAW_CODES)}")
    return LAW_CODES[name]


def controller_row(feedback: Feedback, after_start_fade_s: float, open_limit_steps: float) -> Any:
    """Turn feedback settings into the record that compiled code reads.

    Parameters
    ----------
    feedback : Feedback
        Settings of the car file.
    after_start_fade_s : float
        Time over which after-start air fades [s].
    open_limit_steps : float
        Position the controller never asks beyond [steps].

    Returns
    -------
    numpy.recarray
        One row of ``SETTINGS_FIELDS``.
    """
    row = rows(SETTINGS_FIELDS, 1)
    period_ticks = float(round(feedback.update_period_ms * 1.0e-3 * TICKS_PER_s))
    row["law"] = law_code(feedback.law)
    row["gain_steps_per_rpm"] = feedback.gain_steps_per_100rpm / 100.0
    row["integral_steps_per_rpm_s"] = feedback.integral_steps_per_100rpm_s / 100.0
    row["derivative_steps_s_per_rpm"] = feedback.derivative_steps_s_per_100rpm / 100.0
    row["deadband_rpm"] = feedback.deadband_rpm
    row["min_move_steps"] = feedback.min_move_steps
    row["period_ticks"] = period_ticks
    row["period_s"] = period_ticks / TICKS_PER_s
    row["trim_low_steps"], row["trim_high_steps"] = feedback.trim_limit_steps
    row["enable_above_rpm"] = feedback.enable_above_target_rpm
    row["enable_delay_ticks"] = feedback.enable_delay_s * TICKS_PER_s
    row["open_limit_steps"] = open_limit_steps
    row["nudge_steps"] = feedback.nudge_steps
    row["rpm_per_step"] = feedback.rpm_per_step
    row["entry_extra_steps"] = feedback.entry_extra_steps
    row["entry_fade_ticks"] = feedback.entry_fade_s * TICKS_PER_s
    row["load_steps_per_W"] = feedback.load_steps_per_100W / 100.0
    row["aircon_steps"] = feedback.aircon_steps
    row["after_fade_ticks"] = after_start_fade_s * TICKS_PER_s
    row["spark_deg_per_rpm"] = feedback.spark_trim_deg_per_100rpm / 100.0
    row["spark_limit_deg"] = feedback.spark_trim_limit_deg
    return row


def car_curves(curves: Curves) -> np.ndarray:
    """Pack a car's curves for compiled code.

    Parameters
    ----------
    curves : Curves
        Curves of the car file.

    Returns
    -------
    numpy.ndarray
        Shape (4, 2, POINTS), see ``curve_table``.
    """
    return curve_table(
        (curves.base_steps, curves.target_rpm, curves.cranking_steps, curves.after_start_steps)
    )


@compiled
def _update_once(
    c: Block, k: Block, curves: np.ndarray, coolant_degC: float, rpm: float, tick: float
) -> None:
    read_coolant(k, 0, curves, coolant_degC, 0.0)
    update(c, k, 0, rpm, tick)


@compiled
def _first_command(
    c: Block, k: Block, curves: np.ndarray, coolant_degC: float, tick: float
) -> None:
    read_coolant(k, 0, curves, coolant_degC, 0.0)
    wanted = math.floor(open_loop_steps(c, k, 0, tick) + 0.5)
    wanted = min(max(wanted, 0.0), c.open_limit_steps[0])
    k.commanded_steps[0] = wanted
    k.wanted_steps[0] = wanted


class Controller:
    """One idle controller, driven by measurements; it knows nothing of the plant.

    The engine is taken to be running, and to have run for long, when the first call comes.

    Parameters
    ----------
    car : ControlledCar
        Anything with ``feedback``, ``curves`` and ``valve.open_limit_steps``.

    Attributes
    ----------
    period_s : float
        Time between updates [s]; ``step`` may be called at any rate.
    """

    def __init__(self, car: ControlledCar) -> None:
        self._curves = car_curves(car.curves)
        row = controller_row(
            car.feedback, car.curves.after_start_fade_s, car.valve.open_limit_steps
        )
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

    def step(
        self, t_s: float, rpm: float, coolant_degC: float, throttle_closed: bool = True
    ) -> int:
        """Tell the controller what is measured now and learn what it tells the valve.

        An update happens whenever ``t_s`` has reached the next multiple of the period after
        the first call; between updates the last command stands.

        Parameters
        ----------
        t_s : float
            Time, never falling [s].
        rpm : float
            Measured speed, 0 or more [rpm].
        coolant_degC : float
            Coolant temperature [degC].
        throttle_closed : bool
            Whether the throttle is shut.

        Returns
        -------
        int
            Steps the valve is told to take up, from the seat [steps].

        Raises
        ------
        ValueError
            If a measurement is not a finite number.
        """
        if not all(math.isfinite(value) for value in (t_s, rpm, coolant_degC)):
            raise ValueError(
                f"measurements must be finite numbers (t_s {t_s}, rpm {rpm},"
                f" coolant_degC {coolant_degC})"
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


def make_controller(car: ControlledCar) -> Controller:
    """Make the controller a car file describes.

    Parameters
    ----------
    car : ControlledCar
        Anything with ``feedback``, ``curves`` and ``valve.open_limit_steps``; a ``sim.Car`` is.

    Returns
    -------
    Controller
        Its ``step(t_s, rpm, coolant_degC, throttle_closed)`` returns the wanted steps.
    """
    return Controller(car)
