"""One start told: its phases, its measures, and where trim shows the base curve wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sim import Car, Trace
from tuning.measures import RUNNING_SHARE, START_TOLERANCE_rpm, measure
from tuning.notes import Note, Told
from tuning.starts import position
from tuning.starts.phases import Phase, first_s, phases_of

WATCHED_s = 60.0  # Length of the start that is measured, from the key to crank [s].
WRONG_steps = 2.0  # A trim held above this over a stretch of temperature is an error of the base curve.


@dataclass(frozen=True)
class StartStory(Told):
    """What happened from key-on to warm."""

    car: str
    scenario: str
    phases: tuple[Phase, ...]  # its stretches, in order
    homing_s: float  # time the homing took; nan if there was none
    hidden_steps: float  # true position less the counted one when homing ended: 0 is right
    cranking_rpm: float  # speed at which the starter turned the engine, before the first firing
    lowest_V: float
    first_firing_s: float  # from the key to the first lit charge and to running by itself; nan: never
    run_s: float
    flare_rpm: float
    lowest_rpm: float
    stable_s: float  # from the key to within 100 rpm of target for good, within the first minute
    trim_low_steps: float
    trim_high_steps: float
    base_errors: tuple[position.BaseError, ...]  # mean trim over stretches of temperature
    stalled_s: float  # when the engine stalled; nan if it did not
    out_of_reach: position.OutOfReach | None = None  # where feedback did not act far off the target
    valve_steps: float = math.nan  # where the valve stood as the engine stalled, or as it would not run up
    offset: position.HiddenOffset | None = None  # what a homing that missed the seat does afterwards
    off_at_end_steps: float = 0.0  # true position less the counted one at the end of the run: 0 is right
    key_s: float = 0.0
    feedback_s: float = math.nan  # from the key to the first moment at which feedback acts; nan: never
    until_s: float = math.inf  # when this start was over: key off, homed anew, or the end of the run
    lost: position.Lost | None = None  # where the valve was not where it was counted

    @property
    def finding(self) -> Note:
        """The start in one sentence."""
        where = {"car": self.car, "scenario": self.scenario}
        if math.isnan(self.first_firing_s):
            return Note("starts.no_firing", **where)
        if not self.run_s < WATCHED_s:
            return Note("starts.no_run_up", **where, fires_s=self.first_firing_s,
                        valve_steps=self.valve_steps)  # fmt: skip
        if not math.isnan(self.stalled_s):
            return Note("starts.stalls", **where, run_s=self.run_s,
                        stalled_s=self.stalled_s - self.key_s,
                        valve_steps=self.valve_steps)  # fmt: skip
        if math.isnan(self.flare_rpm):
            return Note("starts.stays_low", **where, fires_s=self.first_firing_s,
                        share_percent=100.0 * RUNNING_SHARE)  # fmt: skip
        return Note("starts.runs", **where, run_s=self.run_s, flare_rpm=self.flare_rpm,
                    lowest_rpm=self.lowest_rpm, within_rpm=START_TOLERANCE_rpm,
                    stable_s=self.stable_s, stays=self.stable_s <= WATCHED_s - 1.5)  # fmt: skip

    @property
    def wrong(self) -> list[Note]:
        """Where the base curve is wrong, a note a stretch of temperature, and where feedback did not act.

        What it did while the valve was not where it is counted does not count: trim then tells of that.
        """
        told = [e.told() for e in self.base_errors if abs(e.trim_steps) >= WRONG_steps]
        return told if self.out_of_reach is None else [self.out_of_reach.told(), *told]

    def lines(self) -> list[Note]:
        """The whole story; the first note is the verdict."""
        key_s, some = self.key_s, self.phases
        phases = [Note("starts.phase", from_s=p.from_s - key_s, name=p.name, text=p.text) for p in some]
        return [self.finding, self.numbers, *phases, *self.position, *self.wrong]

    @property
    def numbers(self) -> Note:
        """What was measured on the way, as far as it happened."""
        return Note(
            "starts.numbers", cranking_rpm=self.cranking_rpm, lowest_V=self.lowest_V,
            first_firing_s=self.first_firing_s, feedback_s=self.feedback_s,
            trim_low=self.trim_low_steps, trim_high_steps=self.trim_high_steps,
        )  # fmt: skip

    @property
    def position(self) -> list[Note]:
        """Tell of a valve that is not where it is counted to be, if it is not."""
        if self.offset is not None:
            return [self.offset.told()]
        return [] if self.lost is None else [self.lost.told(self.until_s)]


def start_story(trace: Trace, car: Car) -> StartStory:
    """Tell the first start of a run that begins with the key turned on, or of one with a restart in it.

    Raises
    ------
    ValueError
        If the starter never turned in the run.
    """
    time_s = trace.time_s
    crank_s = first_s(time_s, trace["key"] > 1.5)
    if math.isnan(crank_s):
        raise ValueError("the key is never turned to crank, allowed: a run with a start in it")
    homing = position.homing_rows(trace, crank_s)
    homed = min(homing[-1] + 1, time_s.size - 1) if homing.size else -1
    run_s = first_s(time_s, (time_s >= crank_s) & (trace["running"] > 0.5))
    stalled_s, until_s = _end_of(trace, run_s)
    here = (time_s >= crank_s) & (time_s < until_s)
    lit_s = first_s(time_s, here & (trace["ignition"] > 0.0) & (trace["torque_Nm"] > 0.0))
    seen = measure(trace, [("start", crank_s, past_s := min(crank_s + WATCHED_s, until_s))])
    on, off = here & (trace["enabled"] > 0.5), trace["shaft_steps"] - trace["believed_steps"]
    trim = trace["trim_steps"][on] if on.any() else np.zeros(1)
    at = np.searchsorted(time_s, past_s if math.isnan(stalled_s) else stalled_s) - 1
    since, right = run_s + car.curves.after_start_fade_s, np.abs(off) < position.APART_steps
    return StartStory(
        car=trace.name, scenario=trace.scenario,
        phases=phases_of(trace, car, (crank_s, run_s, stalled_s, until_s), homing),
        homing_s=float(time_s[homed] - time_s[homing[0]]) if homing.size else math.nan,
        hidden_steps=float(off[homed]) if homing.size else 0.0,
        cranking_rpm=_cranking_rpm(trace, here, lit_s),
        lowest_V=float(np.min(trace["battery_V"][(trace["key"] > 1.5) & here])),
        first_firing_s=lit_s - crank_s, run_s=run_s - crank_s, flare_rpm=seen.start_flare_rpm,
        lowest_rpm=seen.start_lowest_rpm, stable_s=seen.start_stable_s, trim_low_steps=float(np.min(trim)),
        trim_high_steps=float(np.max(trim)),
        base_errors=position.base_errors(trace, car, on & right & (time_s > since)),
        out_of_reach=position.out_of_reach(trace, here & right & ~on & (time_s > since)),
        valve_steps=float(trace["shaft_steps"][at]), off_at_end_steps=float(off[-1]), key_s=crank_s,
        feedback_s=first_s(time_s, on & (time_s >= run_s)) - crank_s, stalled_s=stalled_s, until_s=until_s,
        offset=position.hidden_offset(trace, car, homed, since, until_s) if homing.size else None,
        lost=position.lost_in(trace, here & (time_s > run_s)),
    )  # fmt: skip


def _cranking_rpm(trace: Trace, here: Any, lit_s: float) -> float:
    """Speed at which the starter turned the engine before it fired, nan if it did not [rpm]."""
    until_s = trace.time_s[-1] if math.isnan(lit_s) else lit_s
    turned = here & (trace.time_s < until_s) & (trace["rpm"] > 0.0)
    return float(np.median(trace["speed_rpm"][turned])) if turned.any() else math.nan


def _end_of(trace: Trace, run_s: float) -> tuple[float, float]:
    """When the engine stalled after it ran, else nan; and when this start is over, by key or new homing."""
    later = trace.time_s > run_s
    stalled_s = first_s(trace.time_s, later & (trace["running"] < 0.5) & (trace["key"] > 0.5))
    anew_s = first_s(trace.time_s, later & ((trace["key"] < 0.5) | (trace["homing"] > 0.5)))
    over_s = trace.duration_s if math.isnan(anew_s) else anew_s
    return (stalled_s, over_s) if stalled_s < over_s else (math.nan, over_s)
