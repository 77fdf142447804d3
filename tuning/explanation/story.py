"""One cycle, told: a period of hunting from the narrated schedule, moment by moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers import law_of
from sim import Car, Scenario, Trace, simulate, with_values
from tuning.explanation.cycle import SeenCycle, STARTS_rpm
from tuning.explanation.ends import Phases, Reals, RUN_s, rises, without_scatter
from tuning.loop import IdlePoint, resting_deadband_rpm, tread_steps
from tuning.notes import Note, Told

LEAST_APART_s = 1.0e-6
MOST_TOLD = 6  # Commands in a period that are told one by one; more are drawn together.
BESIDE_SHARE = 0.12  # What is shown before and after the period, as a share of it [-].


@dataclass(frozen=True)
class Moment(Told):
    """One moment of the cycle."""

    at_s: float  # since the cycle began
    kind: str  # "told", "there", "crosses", "leaves", "peak" or "trough"
    rpm: float  # measured speed then
    valve_steps: float  # where the valve was told to be
    text: Note  # what happens


@dataclass(frozen=True, eq=False)
class Story(Told):
    """One period of hunting."""

    time_s: Reals  # shape (events,), as all up to the pressure: since the cycle began
    rpm: Reals  # measured speed
    valve_steps: Reals  # where the valve was told to be, where it was, and wanted before minimum move
    opening_steps: Reals
    wanted_steps: Reals
    map_kPa: Reals  # absolute pressure in the manifold
    settled_rpm: Reals  # shape (travel + 1,): speed at which this engine would settle at each position
    move_steps: int  # distance of the positions that the controller's smallest moves reach
    period_s: float  # of the cycle, and of the car
    target_rpm: float
    deadband_rpm: float
    moments: tuple[Moment, ...]  # in order of time; first and last are the same move, one period apart
    lines: tuple[Note, ...]  # the whole told


class _Stretch:
    """The stretch of a trace that is told, by time since its beginning."""

    def __init__(self, trace: Trace, car: Car, begin_s: float, end_s: float) -> None:
        self.trace, self.begin_s, self.band_rpm = trace, begin_s, resting_deadband_rpm(car)
        self.has_integral = law_of(car.feedback).has_gains
        inside = (trace.time_s >= begin_s - LEAST_APART_s) & (trace.time_s <= end_s + LEAST_APART_s)
        self.rows = np.flatnonzero(inside)
        self.error = trace["target_rpm"] - trace["rpm"]

    def moment(self, row: int, kind: str, text: Note) -> Moment:
        trace = self.trace
        return Moment(
            at_s=float(trace.time_s[row] - self.begin_s), kind=kind, rpm=float(trace["rpm"][row]),
            valve_steps=float(trace["valve_steps"][row]), text=text,
        )  # fmt: skip

    def told(self) -> list[Moment]:
        """Commands to the valve; where they are many, those one way after the other as one."""
        steps = self.trace["valve_steps"]
        rows = self._changed(steps)
        ways = [steps[row] > steps[row - 1] for row in rows]
        groups: list[list[int]] = []
        for row, way, last in zip(rows, ways, [None, *ways[:-1]], strict=True):
            if way == last and len(rows) > MOST_TOLD and row != rows[-1]:
                groups[-1].append(row)
            else:
                groups.append([row])
        return [self._command(group) for group in groups]

    def _command(self, rows: list[int]) -> Moment:
        first, last = rows[0], rows[-1]
        before, after = self.trace["valve_steps"][first - 1], self.trace["valve_steps"][last]
        wanted, error = self.trace["wanted_steps"][first], self.error[first]
        told = Note(
            "explanation.story.told", error_rpm=float(error), wanted=float(wanted), before=float(before),
            after=float(after), moves=len(rows),
            within_s=float(self.trace.time_s[last] - self.trace.time_s[first]),
        )  # fmt: skip
        return self.moment(first, "told", told)

    def there(self) -> list[Moment]:
        """Moves completed, where they are few."""
        if len(self._changed(self.trace["valve_steps"])) > MOST_TOLD:
            return []
        believed = self.trace["believed_steps"]
        away = np.abs(believed - self.trace["valve_steps"]) > 0.5
        return [
            self.moment(row, "there", Note("explanation.story.there", at=float(believed[row])))
            for row in self._changed(away.astype(float))
            if not away[row]
        ]

    def crosses(self) -> list[Moment]:
        """Speed through the target, and out of the deadband."""
        found = []
        for row in self._changed(np.sign(self.error)):
            crosses = Note("explanation.story.crosses", rises=bool(self.error[row] < 0.0))
            found.append(self.moment(row, "crosses", crosses))
        if self.band_rpm > 0.0:
            outside = (np.abs(self.error) > self.band_rpm).astype(float)
            found += [self._deadband(row) for row in self._changed(outside)]
        return found

    def _deadband(self, row: int) -> Moment:
        trim = self.trace["trim_steps"][row]
        if abs(self.error[row]) <= self.band_rpm:
            back = Note("explanation.story.back", has_integral=self.has_integral)
            return self.moment(row, "leaves", back)
        leaves = Note(
            "explanation.story.leaves", is_below=bool(self.error[row] > 0.0), trim_steps=float(trim)
        )
        return self.moment(row, "leaves", leaves)

    def extremes(self) -> list[Moment]:
        """Highest and lowest speed."""
        rpm, rows = self.trace["rpm"], self.rows
        high, low = rows[int(np.argmax(rpm[rows]))], rows[int(np.argmin(rpm[rows]))]
        return [
            self.moment(int(high), "peak", Note("explanation.story.peak", above=float(-self.error[high]))),
            self.moment(int(low), "trough", Note("explanation.story.trough", below=float(self.error[low]))),
        ]

    def _changed(self, signal: Any) -> list[int]:
        """Rows told at which a signal differs from the row before."""
        return [int(row) for row in self.rows if row > 0 and signal[row] != signal[row - 1]]


def _last_period(trace: Trace, period_s: float) -> tuple[float, float] | None:
    """The last whole period that lasts about as long as they do on average [s]."""
    steps: NDArray[np.float64] = trace["valve_steps"]
    late = trace.time_s > 0.5 * trace.duration_s
    middle = 0.5 * (steps[late].min() + steps[late].max())
    begins = trace.time_s[rises(steps, middle)]
    begins = begins[begins > 0.5 * trace.duration_s]
    if begins.size < 2:
        return None
    at = int(np.argmin(np.abs(np.diff(begins) / period_s - 1.0)))
    return float(begins[at]), float(begins[at + 1])


def tell_cycle(
    car: Car, point: IdlePoint, phases: Phases, seen: SeenCycle | None, move_rpm: float
) -> Story | None:
    """Run the hunting car again in the narrated schedule and tell one period of it, none without one."""
    if seen is None:
        return None
    phase, start = divmod(seen.row, len(STARTS_rpm))
    leak = car.throttle.leak_mm2 + phases[phase]
    there = with_values(without_scatter(car), {"throttle": {"leak_mm2": max(leak, 0.0)}})
    scenario = Scenario(name="idle", duration_s=RUN_s, coolant_degC=point.coolant_degC)
    trace = simulate(there, scenario, rpm_offset=STARTS_rpm[start])
    span = _last_period(trace, seen.period_s)
    if span is None:
        return None
    begin_s, end_s = span
    period_s = end_s - begin_s
    told = _Stretch(trace, car, begin_s, end_s)
    moments = [*told.told(), *told.there(), *told.crosses(), *told.extremes()]
    moments.sort(key=lambda one: one.at_s)
    width = 2.0 * told.band_rpm
    lines = [
        Note("explanation.story.period", period_s=period_s),
        Note("explanation.story.worth", move_rpm=move_rpm, deadband_rpm=width),
        Note("explanation.story.holds", holds=width >= move_rpm),
        *(Note("explanation.story.moment", at_s=one.at_s, now_rpm=one.rpm, text=one.text) for one in moments),
        Note("explanation.story.repeats"),
    ]
    margin = BESIDE_SHARE * period_s
    shown = (trace.time_s >= begin_s - margin) & (trace.time_s <= end_s + margin)
    return Story(
        time_s=trace.time_s[shown] - begin_s, rpm=trace["rpm"][shown],
        valve_steps=trace["valve_steps"][shown], opening_steps=trace["pintle_steps"][shown],
        wanted_steps=(trace["base_steps"] + trace["trim_steps"])[shown], map_kPa=trace["map_kPa"][shown],
        settled_rpm=point.rpm_with_leak(phases[phase]), move_steps=tread_steps(car), period_s=period_s,
        target_rpm=point.target_rpm, deadband_rpm=told.band_rpm, moments=tuple(moments), lines=tuple(lines),
    )  # fmt: skip
