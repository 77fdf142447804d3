"""Positions that a starting and warming engine needs: a base curve, and air that fades after it.

A slow, fine feedback of our own holds the target in starts. One curve over the sensed temperature
cannot follow oil that lags: air that fades after the start takes what is left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim import Car, Trace, with_values
from tuning.starts.trials import STARTS_degC, start_scenario

LEAST_EXTRA_steps, LEAST_CRANKING_steps = 4.0, 20.0
"""Cranking stands so far above the base, and at this, or more; common practice, no source [steps]."""
USUAL_FADE_s = (10.0, 30.0)
"""After-start air decays over so long, shortest and longest; common practice, no source [s]."""
PLACES_degC = (*STARTS_degC, 55.0)  # Starts are made at all but the last of these, and warm up beyond it.
HOLD_s, FADED_s, EACH_s = 110.0, 12.0, 0.5
"""Length of the runs, what is left out of each after it runs, time between readings [s]."""
SEEN_s = 1.0  # A place is known that was held for so long, all runs together [s].
HOLDING = {
    "law": "pi", "gain_steps_per_100rpm": 1.0, "integral_steps_per_100rpm_s": 1.5, "deadband_rpm": 0.0,
    "min_move_steps": 1, "update_period_ms": 200.0, "enable_delay_s": 0.0, "enable_above_target_rpm": 1000.0,
}  # fmt: skip
"""The feedback that tells what the engine needs: slow, fine, without a deadband."""


@dataclass(frozen=True)
class Need:
    """What held the target while the engine warmed up."""

    base_steps: NDArray[np.float64]  # at each of ``PLACES_degC``, never rising; nan: too short
    after_steps: NDArray[np.float64]  # fading air of a start at each of ``STARTS_degC``, never rising
    fade_s: float  # over which it fades, linearly, from the moment the engine runs; 0: none is used


@dataclass(frozen=True)
class Held:
    """What was held in starts from several temperatures, reading by reading."""

    start: NDArray[np.int64]
    coolant_degC: NDArray[np.float64]
    since_s: NDArray[np.float64]
    steps: NDArray[np.float64]
    over_rpm: NDArray[np.float64]


def needs(car: Car, fades_s: Sequence[float], seed: int) -> list[Need]:
    """Find base curve and fading air that hold the target together, for each fade.

    Source: least squares of what feedback holds, with increments that are not negative (Lawson & Hanson 1974,
    by ``scipy.optimize.nnls``); definition our own.

    Parameters
    ----------
    car, fades_s, seed : Car, sequence of float, int
        Feedback and after-start air are not its own here; time over which air added at the start is to fade,
        0: a base curve alone [s].

    Returns
    -------
    list of Need
    """
    held = held_in_starts(car, STARTS_degC, seed)
    return [_fitted(held, fade_s) for fade_s in fades_s]


def held_in_starts(car: Car, starts_degC: Sequence[float], seed: int) -> Held:
    """Start the engine, and read what a slow and fine feedback holds from some seconds after that on.

    Parameters
    ----------
    car, starts_degC, seed : Car, sequence of float, int
        Feedback and after-start air are not its own here; engine and air at the starts [degC].

    Returns
    -------
    Held
    """
    from sim import simulate

    limit = float(car.valve.open_limit_steps)
    changes: dict[str, dict[str, object]] = {
        "feedback": {**HOLDING, "trim_limit_steps": (-limit, limit)},
        "curves": {"after_start_steps": [[0.0, 0.0], [1.0, 0.0]]},
    }
    held_car = with_values(car, changes)
    return _joined([simulate(held_car, start_scenario(degC, HOLD_s), seed=seed) for degC in starts_degC])


def _joined(traces: Sequence[Trace]) -> Held:
    """What each run holds, from some time after it runs on."""
    parts = []
    for start, trace in enumerate(traces):
        ran = np.flatnonzero(trace["running"] > 0.5)
        if not ran.size:
            continue
        run_s = trace.time_s[ran[0]]
        times = np.arange(run_s + FADED_s, trace.duration_s, EACH_s)
        rows = np.searchsorted(trace.time_s, times) - 1
        coolant, steps = trace["coolant_sensed_degC"][rows], trace["pintle_steps"][rows]
        over_rpm = trace["speed_rpm"][rows] - trace["target_rpm"][rows]
        parts.append((np.full(times.size, start), coolant, times - run_s, steps, over_rpm))
    if not parts:
        return Held(np.empty(0, dtype=np.int64), *(np.empty(0) for _ in range(4)))
    return Held(*(np.concatenate(one) for one in zip(*parts, strict=True)))


def _fitted(held: Held, fade_s: float) -> Need:
    """Least squares in increments from warm to cold, so that no curve rises with warmth."""
    from scipy.optimize import nnls

    places, starts = len(PLACES_degC), len(STARTS_degC)
    hats = np.array([np.interp(held.coolant_degC, PLACES_degC, one) for one in np.eye(places)])
    left = np.maximum(1.0 - held.since_s / fade_s, 0.0) if fade_s > 0.0 else 0.0 * held.since_s
    fading = np.array([left * (held.start == start) for start in range(starts)])
    columns = np.vstack([np.cumsum(hats, axis=0), np.cumsum(fading, axis=0)]).T
    rises = nnls(columns, held.steps)[0] if held.steps.size else np.zeros(places + starts)
    base, after = (np.cumsum(one[::-1])[::-1] for one in (rises[:places], rises[places:]))
    seen = hats.sum(axis=1) * EACH_s > SEEN_s
    return Need(np.where(seen, base, np.nan), after, fade_s)
