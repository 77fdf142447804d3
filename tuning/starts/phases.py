"""The phases of a start: homing, cranking, flare, after-start, warm-up, or a stall."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sim import Car, Trace
from tuning.notes import Note, Told

SLOW_s = 3.0  # An engine that takes longer from starter to running hangs; ours [s].
FLARE_s = 5.0  # Run-up and flare are over so long after the engine runs; ours [s].


@dataclass(frozen=True)
class Phase(Told):
    """A named stretch of a start."""

    name: str  # such as "homing" or "cranking"
    from_s: float
    to_s: float
    text: Note  # what happened, with numbers


def first_s(time_s: Any, wanted: Any) -> float:
    """First time at which something holds, nan if never."""
    places = np.flatnonzero(wanted)
    return float(time_s[places[0]]) if places.size else math.nan


def phases_of(
    trace: Trace, car: Car, moments: tuple[float, float, float, float], homing: Any
) -> tuple[Phase, ...]:
    """Name the stretches of a start; moments: key to crank, running, a stall, the end [s]."""
    crank_s, run_s, stalled_s, until_s = moments
    time_s = trace.time_s
    phases = []
    if homing.size:
        last = min(homing[-1] + 1, time_s.size - 1)
        begin, end = float(time_s[homing[0]]), float(time_s[last])
        was, now = (float(trace["shaft_steps"][row]) for row in (homing[0], last))
        homed = Note("starts.phase.homing", was=was, now_steps=now, takes_s=end - begin)
        phases.append(Phase("homing", begin, end, homed))
        if crank_s > end:
            wide = float(min(trace["cranking_steps"][last], float(car.valve.open_limit_steps)))
            waits = Note("starts.phase.waiting", wide_steps=wide)
            phases.append(Phase("waiting", end, crank_s, waits))
    if math.isnan(run_s):
        stands = Note("starts.phase.no_start")
        phases.append(Phase("cranking", crank_s, trace.duration_s, stands))
        return tuple(phases)
    phases.append(Phase("cranking", crank_s, run_s, _cranked(trace, crank_s, run_s)))
    running = _running_phases(trace, car, (crank_s, run_s, until_s))
    if not math.isnan(stalled_s):
        before = [one for one in running if one.from_s < stalled_s]
        cut = [replace(one, to_s=min(one.to_s, stalled_s)) for one in before]
        running = [*cut, _stalled(trace, crank_s, stalled_s)]
    return (*phases, *running)


def _cranked(trace: Trace, crank_s: float, run_s: float) -> Note:
    """How long it took, and whether the starter had long been let go."""
    before = (trace.time_s >= crank_s) & (trace.time_s < run_s)
    let_go_s = first_s(trace.time_s, before & (trace["key"] < 1.5))
    if run_s - let_go_s > SLOW_s:
        return Note("starts.phase.slow", after_s=run_s - crank_s, let_go_s=let_go_s - crank_s)
    return Note("starts.phase.cranked", after_s=run_s - crank_s)


def _running_phases(trace: Trace, car: Car, moments: tuple[float, float, float]) -> list[Phase]:
    """Name the stretches from running to warm, as far as the start goes; moments: crank, running, end [s]."""
    crank_s, run_s, until_s = moments
    time_s = trace.time_s
    flare = (time_s >= run_s) & (time_s < min(run_s + FLARE_s, until_s))
    highest = float(np.max(trace["rpm"][flare]))
    target = float(trace["target_rpm"][flare][0])
    rises = Note("starts.phase.flare", highest_rpm=highest, within_s=FLARE_s, target=target)
    phases = [Phase("flare", run_s, run_s + FLARE_s, rises)]
    faded_s = min(max(run_s + car.curves.after_start_fade_s, run_s + FLARE_s), until_s)
    here = (time_s > run_s) & (time_s < until_s)
    acts_s = first_s(time_s, here & (trace["enabled"] > 0.5))
    fades = Note("starts.phase.after_start_without", faded_s=faded_s - crank_s)
    if not math.isnan(acts_s):
        fades = Note("starts.phase.after_start", faded_s=faded_s - crank_s, acts_s=acts_s - crank_s)
    phases.append(Phase("after-start", run_s + FLARE_s, faded_s, fades))
    warm_s = first_s(time_s, here & (trace["coolant_degC"] >= car.thermal.thermostat_degC - 5.0))
    warm_s = until_s if math.isnan(warm_s) else max(warm_s, faded_s)
    reached = Note("starts.phase.over")
    if here.any():
        sensed = float(trace["coolant_sensed_degC"][here][-1])
        reached = Note("starts.phase.warm_up", of=car.temperature_name, reached_degC=sensed)
    phases.append(Phase("warm-up", faded_s, warm_s, reached))
    idle = here & (time_s > warm_s)
    if idle.any():
        mean = Note("starts.phase.warm", mean_rpm=float(np.mean(trace["rpm"][idle])))
        phases.append(Phase("warm", warm_s, until_s, mean))
    return [one for one in phases if one.to_s > one.from_s or one.name == "flare"]


def _stalled(trace: Trace, crank_s: float, stalled_s: float) -> Phase:
    """A stall, and what comes then."""
    again_s = first_s(trace.time_s, (trace.time_s > stalled_s) & (trace["key"] > 1.5))
    runs_s = first_s(trace.time_s, (trace.time_s > stalled_s + 0.5) & (trace["running"] > 0.5))
    text = Note("starts.phase.stands")
    if not math.isnan(again_s) and math.isnan(runs_s):
        text = Note("starts.phase.tried_again", again_s=again_s - crank_s)
    elif not math.isnan(again_s):
        text = Note("starts.phase.runs_again", again_s=again_s - crank_s, runs_s=runs_s - crank_s)
    return Phase("stalled", stalled_s, trace.duration_s, text)
