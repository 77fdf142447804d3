"""A base curve proposed from logs: the steps that held the target at each temperature."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers import curve_at
from sim import Car, InputError, Problem
from sim.linearise import settled_rpm
from tuning.log_events import idle_rows, mended, target_of
from tuning.logs import Log, needs
from tuning.notes import Note, Told

Floats = NDArray[np.float64]

BIN_degC = 8.0  # Readings within this of each other make one point [degC].
FARTHEST_rpm = 120.0
"""Speed may be off its target by so much; what it lacks is put into steps by the model [rpm]."""
SETTLED_s = 2.0  # Readings count once the valve has been within a step of where it is for this long [s].
LEAST_s = 4.0  # A point needs readings over at least this time [s].
LEAST_CLOSING_rpm = 60.0  # Room to close that feedback needs: as many steps as take off this much [rpm].


@dataclass(frozen=True)
class BasePoint(Told):
    """The base curve at one temperature, now and by the logs; held before it was made to fall with warmth."""

    coolant_degC: float
    now_steps: float
    held_steps: float
    proposed_steps: float
    spread_steps: float
    seconds: float
    mended_rpm: float
    files: tuple[str, ...]


@dataclass(frozen=True)
class LoggedBase(Told):
    """A base curve proposed from logs."""

    TOLD = ("car", "points", "closing_steps", "closing_rpm", "can_close", "notes")

    car: str
    points: tuple[BasePoint, ...]  # from cold to warm, only where there are readings
    now: tuple[tuple[float, float], ...]  # the car file's own curve [degC, steps]
    curve: tuple[tuple[float, float], ...]  # the points, and the car file's own beyond them [degC, steps]
    closing_steps: float  # room to close that the warmest point leaves, and what it is worth
    closing_rpm: float
    notes: tuple[Note, ...]

    @property
    def can_close(self) -> bool:
        """Whether the warmest point leaves feedback room to close."""
        return self.closing_rpm >= LEAST_CLOSING_rpm

    def curves(self) -> dict[str, list[list[float]]]:
        """The proposal in the form of a car file's table [curves].

        ``base_steps`` only: logs of idling tell nothing of starts.
        """
        return {"base_steps": [[degrees, steps] for degrees, steps in self.curve]}

    def lines(self) -> list[Note]:
        """The proposal told, the verdict first, then a line a temperature."""
        low, high = self.points[0].coolant_degC, self.points[-1].coolant_degC
        worst = max(abs(p.proposed_steps - p.now_steps) for p in self.points)
        verdict = Note(
            "open_loop.logged", car=self.car, low_degC=low, high_degC=high,
            several=len(self.points) > 1, most_steps=worst,
        )  # fmt: skip
        points = [
            Note("open_loop.logged.point", at_degC=p.coolant_degC, now=p.now_steps,
                 proposed_steps=p.proposed_steps, held=p.held_steps, spread=p.spread_steps,
                 over_s=p.seconds, mended_rpm=p.mended_rpm)
            for p in self.points
        ]  # fmt: skip
        return [verdict, *points, *self.notes]

    def _told(self) -> dict[str, Any]:
        return {"source": "logs", "curves": self.curves()}


def _readings(car: Car, log: Log) -> Floats:
    """Temperature, steps that hold the target, seconds and error of each reading."""
    target = target_of(log, car)
    if log.valve_steps is None or log.coolant_degC is None or target is None:
        return np.zeros((0, 4))
    usable = idle_rows(log) & ~log.loaded
    earlier = np.interp(log.time_s - SETTLED_s, log.time_s, log.valve_steps)
    usable &= np.abs(log.valve_steps - earlier) <= 1.0
    # A second at a time: scatter is averaged, and a reading a second is plenty.
    slot = np.floor(log.time_s - log.time_s[0]).astype(np.int64)
    count = np.bincount(slot, usable.astype(float))
    whole = count >= 0.6 * np.bincount(slot)
    rows = []
    for values in (log.coolant_degC, log.valve_steps, target - log.rpm):
        mean = np.bincount(slot, values * usable) / np.maximum(count, 1.0)
        rows.append(mean[whole & (count > 0.0)])
    degrees, steps, error = rows
    near = np.abs(error) <= FARTHEST_rpm
    return np.column_stack([degrees, steps, np.ones(degrees.size), error])[near]


def _mended(car: Car, readings: Floats) -> Floats:
    """Steps that would have held the target, by what a step is worth in the model."""
    steps = readings[:, 1].copy()
    for which in np.unique(np.floor(readings[:, 0] / BIN_degC)):
        at = np.floor(readings[:, 0] / BIN_degC) == which
        degrees, here = float(np.mean(readings[at, 0])), float(np.mean(readings[at, 1]))
        ends = np.array([max(here - 2.0, 0.0), here + 2.0])
        speeds = settled_rpm(car, ends, min(degrees, 95.0))
        worth = float((speeds[1] - speeds[0]) / (ends[1] - ends[0]))
        if speeds[0] > 0.0 and worth > 1.0:
            steps[at] += readings[at, 3] / worth
    return steps


def base_from_logs(car: Car, logs: Log | Sequence[Log]) -> LoggedBase:
    """Propose a base curve from the steps that held the target at each temperature.

    Of the car its base curve is taken, its target where a log has none, and the worth of a step where speed
    was not quite at target; logs need valve steps and coolant temperature. The curve falls with warmth, and
    never goes beyond recorded temperatures. Source: isotonic regression, by time (scipy); limits ours.

    Raises
    ------
    InputError
        When a log lacks steps or temperature, or none has settled idling near target.
    """
    from scipy.optimize import isotonic_regression

    every = [mended(one) for one in ([logs] if isinstance(logs, Log) else logs)]
    needs(every, ["valve_steps", "coolant_degC"], "base")
    read = [(log.file, _readings(car, log)) for log in every]
    together = np.vstack([rows for _, rows in read])
    if together.shape[0] < LEAST_s:
        raise InputError(
            Problem(log.file, 1, "rpm", f"no settled idling within {FARTHEST_rpm:g} rpm of the"
                    " target found, allowed: throttle shut, valve steady, no load")
            for log in every
        )  # fmt: skip
    steps = _mended(car, together)
    names = np.concatenate([np.full(len(rows), number) for number, (_, rows) in enumerate(read)])
    now = np.asarray(car.curves.base_steps, dtype=float)
    bins = np.floor(together[:, 0] / BIN_degC)
    kept = [which for which in np.unique(bins) if np.sum(together[bins == which, 2]) >= LEAST_s]
    found = []
    for which in kept:
        at = bins == which
        degrees = float(np.mean(together[at, 0]))
        files = tuple(sorted({read[int(i)][0] for i in np.unique(names[at])}))
        found.append(
            BasePoint(
                degrees, curve_at(now, degrees), float(np.mean(steps[at])), np.nan, float(np.std(steps[at])),
                float(np.sum(together[at, 2])), float(np.mean(np.abs(together[at, 3]))), files,
            )
        )  # fmt: skip
    held, weight = [one.held_steps for one in found], [one.seconds for one in found]
    falling = isotonic_regression(held, weights=weight, increasing=False).x
    falling = np.rint(np.clip(falling, 0.0, float(car.valve.open_limit_steps)))
    points = (replace(one, proposed_steps=float(new)) for one, new in zip(found, falling, strict=True))
    return _proposal(car, tuple(points), now)


def _proposal(car: Car, points: tuple[BasePoint, ...], now: Floats) -> LoggedBase:
    """Join the points with the car's own curve beyond them, and look at the room to close."""
    low, high = points[0], points[-1]
    colder = [(float(d), float(s)) for d, s in now if d < low.coolant_degC - 1.0]
    warmer = [(float(d), float(s)) for d, s in now if d > high.coolant_degC + 1.0]
    notes = []
    if any(s < low.proposed_steps for _, s in colder):
        notes.append(Note("open_loop.logged.lifted", at_degC=low.coolant_degC,
                          proposed_steps=low.proposed_steps))  # fmt: skip
    if any(s > high.proposed_steps for _, s in warmer):
        notes.append(Note("open_loop.logged.lowered", at_degC=high.coolant_degC,
                          proposed_steps=high.proposed_steps))  # fmt: skip
    curve = (
        *((d, max(s, low.proposed_steps)) for d, s in colder),
        *_whole_degrees(points),
        *((d, min(s, high.proposed_steps)) for d, s in warmer),
    )
    closing = min(s for _, s in curve)
    ends = settled_rpm(car, np.array([0.0, closing]), 90.0)
    worth = float(ends[1] - ends[0]) if ends[0] > 0.0 else float(ends[1])
    if worth < LEAST_CLOSING_rpm:
        notes.append(Note("open_loop.logged.no_room", closing_steps=closing, worth_rpm=worth))
    return LoggedBase(car.name, points, car.curves.base_steps, curve, float(closing), worth, tuple(notes))


def _whole_degrees(points: Sequence[BasePoint]) -> list[tuple[float, float]]:
    """Points at whole degrees, none twice: of two at one degree the longer recorded stays."""
    longest: dict[float, BasePoint] = {}
    for point in points:
        whole = float(round(point.coolant_degC))
        if whole not in longest or point.seconds > longest[whole].seconds:
            longest[whole] = point
    return [(whole, point.proposed_steps) for whole, point in longest.items()]
