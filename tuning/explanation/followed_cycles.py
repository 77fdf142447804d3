"""Limit cycles followed update by update: the car's own controller on the linear engine.

A cycle solved as a continuous wave knows neither the whole updates at which moves are made nor
moves larger than the minimum nor a settled error that passes the deadband by a few rpm.  All three
are exact where the wave is followed from one update to the next: between updates the engine answers
each single step of the valve with its step response, settled it runs at the speed that the valve's
positions are worth, and at each update the controller itself decides.  What is left to theory is
the engine's linear dynamics.  The cycle is found by starting at the target from the positions named
and following for two minutes; different starts may end differently, as on the car.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from controllers import curve_at, make_controller
from sim import COUNTERS, Car, SAMPLE_s, with_values
from tuning.explanation.ends import Ends, TAIL_s, ends_of
from tuning.explanation.runs import RUN_s, Samples
from tuning.loop import Cycle, IdlePoint, Reals, step_response


class _LinearEngine:
    """Speed as the sum of the answers to all single steps that the valve has begun.

    The valve takes one step each pulse and rest towards where it was last told to be.
    """

    def __init__(self, point: IdlePoint, settled_rpm: Reals, position: int) -> None:
        self._time, self._true, self._read = step_response(point.plant, 1)
        self._step_s = point.plant.valve_step_s
        self._settled = settled_rpm
        self._position = self._aim = position
        self._told_s = self._free_s = 0.0
        # The first change of speed is the one from the target, where it starts, to this position.
        self._begun_s: list[float] = [0.0]
        self._worth_rpm: list[float] = [float(settled_rpm[position]) - point.target_rpm]
        self._start_rpm = point.target_rpm

    def tell(self, now_s: float, aim: int) -> None:
        """Tell the valve where to be."""
        if aim != self._aim:
            self._aim, self._told_s = aim, now_s

    def go_on(self, until_s: float) -> None:
        """Let the valve begin its steps up to a moment."""
        while self._position != self._aim:
            begin_s = max(self._told_s, self._free_s)
            if begin_s >= until_s:
                return
            there = self._position + (1 if self._aim > self._position else -1)
            worth = float(self._settled[there] - self._settled[self._position])
            self._begun_s.append(begin_s)
            self._worth_rpm.append(worth)
            self._position, self._free_s = there, begin_s + self._step_s

    def reading_rpm(self, now_s: float) -> float:
        """Speed that the controller reads."""
        age = now_s - np.asarray(self._begun_s)
        shares = np.interp(age, self._time, self._read)
        return max(0.0, self._start_rpm + float(shares @ np.asarray(self._worth_rpm)))

    def speeds_rpm(self, time_s: Reals) -> Reals:
        """True speed at rising times."""
        rpm = np.full(time_s.size, self._start_rpm)
        for begun_s, worth in zip(self._begun_s, self._worth_rpm, strict=True):
            rpm += worth * np.interp(time_s - begun_s, self._time, self._true, left=0.0)
        return rpm


def _followed(car: Car, point: IdlePoint, settled_rpm: Reals, start: int) -> tuple[Reals, Reals]:
    """True speed and commanded position, a sample each ``SAMPLE_s``, from one position on."""
    coolant_degC = point.coolant_degC
    flat = {"curves": {"base_steps": [[coolant_degC, start], [coolant_degC + 1.0, start]]}}
    controller = make_controller(with_values(car, flat))
    engine = _LinearEngine(point, settled_rpm, start)
    period_s = controller.period_s
    told = np.empty(math.ceil(RUN_s / period_s))
    for update in range(told.size):
        now_s = update * period_s
        engine.go_on(now_s)
        aim = controller.step(now_s, engine.reading_rpm(now_s), coolant_degC)
        engine.tell(now_s, aim)
        told[update] = aim
    time_s: Reals = np.arange(round(RUN_s / SAMPLE_s), dtype=np.float64) * SAMPLE_s
    last = np.minimum((time_s / period_s + 1.0e-9).astype(int), told.size - 1)
    return engine.speeds_rpm(time_s), told[last]


def _samples(car: Car, point: IdlePoint, settled_rpm: Reals, starts: Sequence[int]) -> Samples:
    """What following from each position leaves, in the form of simulated runs."""
    rpm, steps = zip(*(_followed(car, point, settled_rpm, start) for start in starts), strict=True)
    counters = np.zeros((len(starts), len(COUNTERS)))
    counters[:, COUNTERS.index("stalled_s")] = math.nan
    counters[:, COUNTERS.index("target_rpm")] = point.target_rpm
    return Samples(
        np.asarray(rpm, dtype=np.float32),
        np.asarray(steps, dtype=np.float32),
        counters,
        np.full(len(starts), car.feedback.update_period_ms / 1000.0),
    )


def followed_cycle(
    car: Car, point: IdlePoint, settled_rpm: Reals, positions: tuple[float, float]
) -> Cycle | None:
    """Follow the controller on the linear engine until it goes round, if it does.

    Trim limits are counted from where it starts.  The valve loses no step here.
    Source: superposition of step responses; the controller is the product's own.
    """
    base = math.floor(curve_at(car.curves.base_steps, point.coolant_degC) + 0.5)
    top = settled_rpm.size - 1
    wanted = [min(max(int(place), 0), top) for place in (base, *positions)]
    samples = _samples(car, point, settled_rpm, list(dict.fromkeys(wanted)))
    ends = ends_of(samples)
    rounds = np.flatnonzero(ends.hunting & np.isfinite(ends.period_s))
    if not rounds.size:
        return None
    same = (ends.low_steps == positions[0]) & (ends.high_steps == positions[1])
    row = min(rounds.tolist(), key=lambda one: not same[one])
    return _told(ends, row, samples.steps[row, -round(TAIL_s / SAMPLE_s) :])


def _told(ends: Ends, row: int, steps: NDArray[np.float32]) -> Cycle:
    """One end, and the positions of its last minute, in the words of a cycle."""
    low, high = float(ends.low_steps[row]), float(ends.high_steps[row])
    period_s = float(ends.period_s[row])
    low_s = period_s * float(np.mean(steps <= 0.5 * (low + high)))
    return Cycle(
        kind="followed",
        period_s=period_s,
        low_s=low_s,
        high_s=period_s - low_s,
        peak_to_peak_rpm=float(ends.swing_rpm[row]),
        wanted_amplitude_steps=0.5 * (high - low),
        stable=True,
        positions=int(np.unique(steps).size),
        confirmed=True,
    )
