"""What the sliders ask for, run at once: speed and valve of one idle, by the compiled batch."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim import Car, with_values
from workbench.page.wish import Wish

if TYPE_CHECKING:
    from sim import Trace
    from sim.scenario import Scenario


@dataclass(frozen=True, eq=False)
class View:
    """One run, ready to be drawn.

    Attributes
    ----------
    time_s, rpm, valve_steps : numpy.ndarray
        Shape (samples,): end of each slot, speed and commanded position [s, rpm, steps].
    target_rpm, deadband_rpm : float
        Target, and half-width of the deadband [rpm].
    finding : str
        What the run shows, in one sentence.
    hunts : bool or None
        Whether it hunts; None where it has no stretch to tell by.
    """

    time_s: NDArray[np.float64]
    rpm: NDArray[np.float32]
    valve_steps: NDArray[np.float32]
    target_rpm: float
    deadband_rpm: float
    finding: str
    hunts: bool | None


def run_view(car: Car, wish: Wish, seed: int = 0) -> View:
    """Run the car as wished.

    Gives the run.
    """
    from sim import COUNTERS, SAMPLE_s, full_plan, make_fleet, run_plan, settings_table

    supposed, scenario = wish.car(car), wish.scenario()
    held = with_values(supposed, {"feedback": {"law": "none"}})
    fleet = make_fleet([supposed], [scenario])
    plan = full_plan(fleet, settings_table([supposed, held]), seeds=[seed])
    kept: dict[str, Any] = {}

    def keep(_rows: Any, rpm: Any, steps: Any, counters: Any) -> None:
        kept.update(rpm=rpm[0].copy(), steps=steps[0].copy(), counters=counters[0].copy())
        kept.update(held_rpm=rpm[1].copy())

    run_plan(fleet, plan, keep, cores=1)
    counted = dict(zip(COUNTERS, kept["counters"].tolist(), strict=True))
    begins_s = np.arange(kept["rpm"].size) * SAMPLE_s
    target = float(counted["target_rpm"])
    finding, hunts = _finding(supposed, scenario, kept, counted, begins_s)
    return View(
        time_s=begins_s + SAMPLE_s,
        rpm=kept["rpm"],
        valve_steps=kept["steps"],
        target_rpm=target,
        deadband_rpm=car.feedback.deadband_rpm,
        finding=finding,
        hunts=hunts,
    )


def _finding(
    car: Car, scenario: Scenario, kept: Any, counted: dict[str, float], begins_s: Any
) -> tuple[str, bool | None]:
    """The sentence that ``simulate`` says of the same run, and whether it hunts."""
    from sim import Trace
    from tuning.log_events import read_run
    from tuning.measures import HUNTS, measure
    from workbench.figures.trace import trace_finding

    def trace(rpm: Any, steps: Any) -> Trace:
        target = np.full(begins_s.size, counted["target_rpm"])
        return Trace(
            time_s=begins_s,  # a slot's value holds within it
            signals={"rpm": rpm, "valve_steps": steps, "target_rpm": target},
            events=(),
            stalled_s=counted["stalled_s"],
            name=car.name,
            duration_s=scenario.duration_s,
            counters=counted,
        )

    run, windows = trace(kept["rpm"], kept["steps"]), scenario.measure
    floor_rpm, told_of, hunts, floor = 0.0, None, None, ""
    if windows[0].what == "hunting":
        held = measure(trace(kept["held_rpm"], 0.0 * kept["steps"]), windows[:1])
        floor_rpm = held.hunting_rpm
        floor = f" With the valve held still it would be {floor_rpm:.0f} rpm."
    measures = measure(run, windows, floor_rpm=floor_rpm)
    if floor:
        answer, told_of = read_run(run, windows[0].from_s, windows[0].to_s)
        hunts = answer == HUNTS
    told = trace_finding(run, measures, told_of).partition(": ")[2]
    told = told[:1].upper() + told[1:] + ("" if math.isfinite(run.stalled_s) else floor)
    return told, hunts


def pressure_of(car: Car, wish: Wish, seed: int = 0) -> tuple[Any, Any]:
    """Manifold pressure of the same run, by the narrated schedule: the same to the last bit.

    Gives times and pressure, shape (samples,) each [s, kPa].
    """
    from sim import SAMPLE_s, simulate

    trace = simulate(wish.car(car), wish.scenario(), seed)
    values = trace.resampled("map_kPa")
    return (np.arange(values.size) + 1) * SAMPLE_s, values
