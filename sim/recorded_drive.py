"""What was done to an engine over a stretch of time, ready to be done again by ``sim.replay``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controllers import NEVER, TICKS_PER_s
from sim.air import standard_atmosphere
from sim.happenings import SETTABLE

Floats = NDArray[np.float64]

RUN_ON_s = 2.0
"""A replay runs on for this long, so that the last readings can be centred [s]."""


class Beginning(NamedTuple):
    """What holds as a drive begins: an engine that has settled in manifold and torque.

    ``load_W`` is the electric load above the car's base load.
    """

    ambient_Pa: float
    ambient_K: float
    coolant_degC: float
    valve_steps: float
    rpm: float
    load_W: float


@dataclass(frozen=True, eq=False)
class Drive:
    """What was done to an engine over a stretch of time, ready to be done again.

    ``ticks``: when readings are wanted; ``commands``: rows of tick and steps, the last one never comes;
    ``events``: rows as of a scenario, the last is the end.
    """

    ticks: Floats
    commands: Floats
    events: Floats
    beginning: Beginning


def _checked_rows(time_s: ArrayLike, valve_steps: ArrayLike) -> tuple[Floats, Floats]:
    """Times and whole steps as arrays, of one length, rising and finite."""
    times = np.asarray(time_s, dtype=np.float64)
    steps = np.rint(np.asarray(valve_steps, dtype=np.float64))
    if times.ndim != 1 or times.shape != steps.shape or times.size < 2:
        raise ValueError(f"times {times.shape}, steps {steps.shape}, allowed: two rows or more")
    if not np.all(np.diff(times) > 0.0) or not np.all(np.isfinite(steps)):
        raise ValueError("times or steps that do not rise or are not finite, allowed: both")
    return times, steps


def _commands(ticks: Floats, steps: Floats) -> Floats:
    """Tick and steps of each change, half way between two rows; one that never comes is last."""
    changed = np.flatnonzero(np.diff(steps)) + 1
    middle = np.rint(0.5 * (ticks[changed] + ticks[changed - 1]))
    return np.vstack([np.column_stack([middle, steps[changed]]), [NEVER, 0.0]])


def _happened(events: Sequence[tuple[float, str, float]], begin_s: float, last: float) -> Floats:
    """Rows of events as of a scenario, in order; the end, after the last tick, is last."""
    unknown = sorted({name for _, name, _ in events} - set(SETTABLE))
    if unknown:
        raise ValueError(f"no event of that name ({', '.join(unknown)}), allowed: {SETTABLE}")
    happened: list[tuple[float, int, float]] = [
        (round((at_s - begin_s) * TICKS_PER_s), SETTABLE.index(name), value)
        for at_s, name, value in sorted(events, key=lambda event: event[0])
    ]
    happened.append((last + RUN_ON_s * TICKS_PER_s, -1, 0.0))
    return np.asarray(happened, dtype=np.float64)


def make_drive(
    time_s: ArrayLike, valve_steps: ArrayLike, *, start_rpm: float, coolant_degC: float = 90.0,
    load_W: float = 0.0, events: Sequence[tuple[float, str, float]] = (), altitude_m: float = 0.0,
    ambient_degC: float = 20.0,
) -> Drive:  # fmt: skip
    """Describe what was done to an engine, for ``replay``."""
    times, steps = _checked_rows(time_s, valve_steps)
    ticks = np.rint((times - times[0]) * TICKS_PER_s)
    pressure_Pa, _ = standard_atmosphere(altitude_m)
    return Drive(
        ticks=ticks,
        commands=_commands(ticks, steps),
        events=_happened(events, float(times[0]), float(ticks[-1])),
        beginning=Beginning(
            pressure_Pa, ambient_degC + 273.15, coolant_degC, float(steps[0]), start_rpm, load_W
        ),
    )
