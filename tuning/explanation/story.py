"""One cycle, told: a period of hunting from the narrated schedule, in words with times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim import Car, Scenario, Trace, simulate, with_values
from tuning.explanation.cycle import SeenCycle, STARTS_rpm
from tuning.explanation.runs import Phases, RUN_s, without_scatter
from tuning.loop import IdlePoint, Reals, resting_deadband_rpm

LEAST_APART_s = 1.0e-6
MOST_TOLD = 6
"""Commands in a period that are told one by one; more are drawn together."""
BESIDE_SHARE = 0.12
"""What is shown before and after the period, as a share of it [-]."""


@dataclass(frozen=True)
class Moment:
    """One moment of the cycle.

    Attributes
    ----------
    at_s : float
        Since the cycle began [s].
    kind : str
        "told", "there", "crosses", "leaves", "peak" or "trough".
    rpm : float
        Measured speed then [rpm].
    valve_steps : float
        Where the valve was told to be [steps].
    text : str
        In words.
    """

    at_s: float
    kind: str
    rpm: float
    valve_steps: float
    text: str


@dataclass(frozen=True, eq=False)
class Story:
    """One period of hunting.

    Attributes
    ----------
    time_s, rpm, valve_steps, opening_steps, wanted_steps : numpy.ndarray
        Shape (events,): times since the cycle began, measured speed, where the valve was told to
        be, where it was, and the position wanted before minimum move [s, rpm, steps].
    period_s, target_rpm, deadband_rpm : float
        Of the cycle, and of the car [s, rpm].
    moments : tuple of Moment
        In order of time; the first and the last are the same move, one period apart.
    lines : tuple of str
        The whole told in sentences.
    """

    time_s: Reals
    rpm: Reals
    valve_steps: Reals
    opening_steps: Reals
    wanted_steps: Reals
    period_s: float
    target_rpm: float
    deadband_rpm: float
    moments: tuple[Moment, ...]
    lines: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The story by name.

        Returns
        -------
        dict
            Arrays as lists.
        """
        plain = {
            name: value.tolist() if isinstance(value, np.ndarray) else value
            for name, value in vars(self).items()
        }
        return plain | {"moments": [vars(one) for one in self.moments], "lines": list(self.lines)}


class _Told:
    """The stretch of a trace that is told, by time since its beginning."""

    def __init__(self, trace: Trace, begin_s: float, end_s: float, band_rpm: float) -> None:
        self.trace, self.begin_s, self.end_s, self.band_rpm = trace, begin_s, end_s, band_rpm
        self.held = "the integral"
        inside = (trace.time_s >= begin_s - LEAST_APART_s) & (trace.time_s <= end_s + LEAST_APART_s)
        self.rows = np.flatnonzero(inside)
        self.error = trace["target_rpm"] - trace["rpm"]

    def moment(self, row: int, kind: str, text: str) -> Moment:
        trace = self.trace
        return Moment(
            at_s=float(trace.time_s[row] - self.begin_s),
            kind=kind,
            rpm=float(trace["rpm"][row]),
            valve_steps=float(trace["valve_steps"][row]),
            text=text,
        )

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
        side = "below" if error > 0.0 else "above"
        way = "open" if after > before else "close"
        text = f"{abs(error):.0f} rpm {side} target; wanted is {wanted:.0f}, "
        if len(rows) == 1:
            text += f"{abs(after - before):.0f} from where the valve stands: it is told to {way}"
        else:
            within_s = self.trace.time_s[last] - self.trace.time_s[first]
            text += f"and in {len(rows)} moves within {within_s:.2f} s the valve is told to {way}"
        return self.moment(first, "told", f"{text} from {before:.0f} to {after:.0f}")

    def there(self) -> list[Moment]:
        """Moves completed, where they are few."""
        if len(self._changed(self.trace["valve_steps"])) > MOST_TOLD:
            return []
        believed = self.trace["believed_steps"]
        away = np.abs(believed - self.trace["valve_steps"]) > 0.5
        return [
            self.moment(row, "there", f"the valve is there, at {believed[row]:.0f}")
            for row in self._changed(away.astype(float))
            if not away[row]
        ]

    def crosses(self) -> list[Moment]:
        """Speed through the target, and out of the deadband."""
        found = []
        for row in self._changed(np.sign(self.error)):
            way = "rises" if self.error[row] < 0.0 else "falls"
            found.append(self.moment(row, "crosses", f"speed {way} through the target"))
        if self.band_rpm > 0.0:
            outside = (np.abs(self.error) > self.band_rpm).astype(float)
            found += [self._deadband(row) for row in self._changed(outside)]
        return found

    def _deadband(self, row: int) -> Moment:
        trim = self.trace["trim_steps"][row]
        if abs(self.error[row]) <= self.band_rpm:
            return self.moment(row, "leaves", f"back within the deadband: {self.held} is held")
        side, way = ("below", "up") if self.error[row] > 0.0 else ("above", "down")
        text = f"out of the deadband, {side}: the trim, {trim:+.1f} steps, is moved {way}"
        return self.moment(row, "leaves", text)

    def extremes(self) -> list[Moment]:
        """Highest and lowest speed."""
        rpm, rows = self.trace["rpm"], self.rows
        high, low = rows[int(np.argmax(rpm[rows]))], rows[int(np.argmin(rpm[rows]))]
        return [
            self.moment(int(high), "peak", f"highest speed, {-self.error[high]:.0f} above target"),
            self.moment(int(low), "trough", f"lowest speed, {self.error[low]:.0f} below target"),
        ]

    def _changed(self, signal: Any) -> list[int]:
        """Rows told at which a signal differs from the row before."""
        return [int(row) for row in self.rows if row > 0 and signal[row] != signal[row - 1]]


def _last_period(trace: Trace, period_s: float) -> tuple[float, float] | None:
    """The last whole period that lasts about as long as they do on average [s]."""
    steps: NDArray[np.float64] = trace["valve_steps"]
    late = trace.time_s > 0.5 * trace.duration_s
    middle = 0.5 * (steps[late].min() + steps[late].max())
    up = np.flatnonzero((steps[1:] > middle) & (steps[:-1] <= middle)) + 1
    begins = trace.time_s[up]
    begins = begins[begins > 0.5 * trace.duration_s]
    if begins.size < 2:
        return None
    at = int(np.argmin(np.abs(np.diff(begins) / period_s - 1.0)))
    return float(begins[at]), float(begins[at + 1])


def _beginning(story: _Told, move_rpm: float, period_s: float) -> list[str]:
    band = story.band_rpm
    holds = "holds no position" if 2.0 * band < move_rpm else "could hold a position"
    return [
        f"One period, {period_s:.2f} s, scatter taken out.",
        f"One move is worth {move_rpm:.0f} rpm, the deadband is {2.0 * band:.0f} rpm wide.",
        f"So it {holds} of those the valve goes between.",
    ]


def tell_cycle(
    car: Car, point: IdlePoint, phases: Phases, seen: SeenCycle | None, move_rpm: float
) -> Story | None:
    """Run the hunting car again in the narrated schedule and tell one period of it.

    Gives none where there is no cycle of the valve to tell.
    """
    if seen is None:
        return None
    phase, start = divmod(seen.row, len(STARTS_rpm))
    leak = car.throttle.leak_mm2 + phases.leak_mm2[phase]
    there = with_values(without_scatter(car), {"throttle": {"leak_mm2": max(leak, 0.0)}})
    scenario = Scenario(name="idle", duration_s=RUN_s, coolant_degC=point.coolant_degC)
    trace = simulate(there, scenario, rpm_offset=STARTS_rpm[start])
    span = _last_period(trace, seen.period_s)
    if span is None:
        return None
    begin_s, end_s = span
    period_s = end_s - begin_s
    told = _Told(trace, begin_s, end_s, resting_deadband_rpm(car))
    if car.feedback.law == "nudge":
        told.held = "the trim"
    moments = [*told.told(), *told.there(), *told.crosses(), *told.extremes()]
    moments.sort(key=lambda one: one.at_s)
    lines = [
        *_beginning(told, move_rpm, period_s),
        *(f"{one.at_s:.2f} s, {one.rpm:.0f} rpm: {one.text}." for one in moments),
        "From here it repeats.",
    ]
    margin = BESIDE_SHARE * period_s
    shown = (trace.time_s >= begin_s - margin) & (trace.time_s <= end_s + margin)
    return Story(
        time_s=trace.time_s[shown] - begin_s,
        rpm=trace["rpm"][shown],
        valve_steps=trace["valve_steps"][shown],
        opening_steps=trace["pintle_steps"][shown],
        wanted_steps=(trace["base_steps"] + trace["trim_steps"])[shown],
        period_s=period_s,
        target_rpm=point.target_rpm,
        deadband_rpm=told.band_rpm,
        moments=tuple(moments),
        lines=tuple(lines),
    )
