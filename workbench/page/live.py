"""What the sliders ask for, run at once: speed and valve of one idle, by the compiled batch."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim import Car, with_values
from sim.scenario import Event, Scenario, Window

if TYPE_CHECKING:
    from sim import Trace

LENGTH_s = 40.0
LOAD_ON_s, LOAD_OFF_s = 12.0, 24.0
BLIP_s, BLIP_LENGTH_s = 30.0, 0.5
BLIP_SHARE = 0.12
SETTLED_s = 4.0
"""The beginning of the run is not judged [s]."""
LOADS = ("lamps", "fan", "screen")


@dataclass(frozen=True)
class Wish:
    """What is supposed of the engine while settings are explored; never saved.

    Attributes
    ----------
    coolant_degC : float
        Coolant temperature, held, -20 to 110 [degC].
    scatter_share : float
        Unevenness of the work of single firings, 0 to 0.4 [-].
    load_on : bool
        Whether lamps, fan and screen come on and go off again.
    blip : bool
        Whether the throttle is blipped.
    """

    coolant_degC: float
    scatter_share: float
    load_on: bool = False
    blip: bool = False

    def car(self, car: Car) -> Car:
        """The car with the scatter supposed.

        Parameters
        ----------
        car : Car
            The car.

        Returns
        -------
        Car
            A copy.
        """
        return with_values(car, {"engine": {"scatter_share": self.scatter_share}})

    def scenario(self) -> Scenario:
        """The run that is shown.

        Returns
        -------
        Scenario
            Idle at the temperature wished, with the events wished.
        """
        events: list[Event] = []
        windows: list[Window] = []
        if self.load_on:
            for name in LOADS:
                events += [
                    Event(at_s=LOAD_ON_s, set=name, to=1.0),
                    Event(at_s=LOAD_OFF_s, set=name, to=0.0),
                ]
            windows.append(Window(what="load", from_s=LOAD_ON_s, to_s=LOAD_OFF_s))
        if self.blip:
            events += [
                Event(at_s=BLIP_s, set="throttle_share", to=BLIP_SHARE),
                Event(at_s=BLIP_s + BLIP_LENGTH_s, set="throttle_share", to=0.0),
            ]
            windows.append(Window(what="blip", from_s=BLIP_s, to_s=LENGTH_s))
        if not self.load_on:  # what is left before a load is too short to tell hunting by
            quiet_s = BLIP_s if self.blip else LENGTH_s
            windows.insert(0, Window(what="hunting", from_s=SETTLED_s, to_s=quiet_s))
        return Scenario(
            name="idle", duration_s=LENGTH_s, coolant_degC=self.coolant_degC,
            event=tuple(events), measure=tuple(windows),
        )  # fmt: skip


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
    """

    time_s: NDArray[np.float64]
    rpm: NDArray[np.float32]
    valve_steps: NDArray[np.float32]
    target_rpm: float
    deadband_rpm: float
    finding: str


def run_view(car: Car, wish: Wish, seed: int = 0) -> View:
    """Run the car as wished.

    Parameters
    ----------
    car : Car
        With the settings explored.
    wish : Wish
        What is supposed of its engine.
    seed : int
        Seed of the scatter, 0 to 2**31 - 1.

    Returns
    -------
    View
        The run.
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
    return View(
        time_s=begins_s + SAMPLE_s,
        rpm=kept["rpm"],
        valve_steps=kept["steps"],
        target_rpm=target,
        deadband_rpm=car.feedback.deadband_rpm,
        finding=_finding(supposed, scenario, kept, counted, begins_s),
    )


def _finding(
    car: Car, scenario: Scenario, kept: Any, counted: dict[str, float], begins_s: Any
) -> str:
    """The sentence that ``simulate`` says of the same run."""
    from sim import Trace
    from tuning.measures import is_hunting, measure
    from workbench.figures_trace import trace_finding

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
    floor_rpm, hunts, floor = 0.0, None, ""
    if windows[0].what == "hunting":
        held = measure(trace(kept["held_rpm"], 0.0 * kept["steps"]), windows[:1])
        floor_rpm = held.hunting_rpm
        floor = f" With the valve held still it would be {floor_rpm:.0f} rpm."
    measures = measure(run, windows, floor_rpm=floor_rpm)
    if floor:
        hunts = is_hunting(measures, floor_rpm)
    told = trace_finding(run, measures, hunts).partition(": ")[2]
    return told[:1].upper() + told[1:] + ("" if math.isfinite(run.stalled_s) else floor)


def pressure_of(car: Car, wish: Wish, seed: int = 0) -> tuple[Any, Any]:
    """Manifold pressure of the same run, by the narrated schedule: the same to the last bit.

    Parameters
    ----------
    car : Car
        With the settings explored.
    wish : Wish
        What is supposed of its engine.
    seed : int
        As of ``run_view``.

    Returns
    -------
    tuple of numpy.ndarray
        Times and pressure, shape (samples,) each [s, kPa].
    """
    from sim import SAMPLE_s, simulate

    trace = simulate(wish.car(car), wish.scenario(), seed)
    values = trace.resampled("map_kPa")
    return (np.arange(values.size) + 1) * SAMPLE_s, values
