"""The bound that no controller beats: the dip if the valve opens at full slew with the load.

Perfect knowledge is simulated, not assumed: from the moment of the load the scenario itself opens
the valve, one step each step time, and the controller only keeps still.  A few steps less stand for
a feed-forward that opens by just what the load needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

import sim
from sim import Car
from tuning.explanation.ends import Reals, without_scatter
from tuning.loop import IdlePoint
from tuning.measures import COLUMN, measure_runs
from tuning.notes import Note, Told

LOAD_AT_s = 10.0
AFTER_s = 15.0
SETTLED_s = 5.0  # The end of a run over which its settled speed is taken [s].
MOST_OPENED_steps = 60  # Steps the valve is opened at most: long after any dip has passed its lowest point.
SPARK_deg_per_100rpm, SPARK_LIMIT_deg = 4.0, 10.0
"""A fast spark trim as some controllers offer it; common practice, no source."""
ELECTRIC, TURNING = ("lamps", "fan", "screen"), ("steering", "aircon", "gearbox")


@dataclass(frozen=True)
class BoundRow(Told):
    """Dips after one load step, scatter taken out."""

    ALSO = ("left_to_gain_rpm",)

    key: str  # which load
    name: Note  # the load with its size
    own_rpm: float  # with the car's own settings
    held_rpm: float  # with the valve held
    bound_rpm: float  # with the valve opened at full slew from the load on: no controller dips less
    forward_rpm: float  # with a feed-forward that opens by what the load needs, in whole steps
    forward_steps: int  # those steps
    spark_rpm: float  # with the car's own settings and a fast spark trim
    forward_spark_rpm: float  # with both, the feedback left to trim
    stalls: bool  # whether the engine stalls with the car's own settings, and even at the bound
    bound_stalls: bool

    @property
    def left_to_gain_rpm(self) -> float:
        """What any control of the valve could still take off the car's own dip [rpm]."""
        return max(0.0, self.own_rpm - self.bound_rpm)


def fitted_loads(car: Car) -> list[tuple[str, Note, tuple[str, ...]]]:
    """Load steps that a car can make: key, the load with its size, what a scenario switches on."""
    found: list[tuple[str, Note, tuple[str, ...]]] = []
    for keys, unit in ((ELECTRIC, "W"), (TURNING, "Nm")):
        sizes = {key: float(getattr(car.loads, f"{key}_{unit}")) for key in keys}
        of_unit = [(key, {f"size_{unit}": size}) for key, size in sizes.items() if size > 0.0]
        found += [(key, Note("explanation.load", key=key, **size), (key,)) for key, size in of_unit]
    electric = tuple(key for key, *_ in found if key in ELECTRIC)
    if len(electric) > 1:
        total_W = sum(float(getattr(car.loads, f"{key}_W")) for key in electric)
        found.append(("electric", Note("explanation.load", key="electric", size_W=total_W), electric))
    return found


def opening_scenario(
    names: Sequence[str], opened_steps: int, step_s: float, coolant_degC: float
) -> sim.Scenario:
    """A load at 10 s, from which on the valve opens by itself at full slew, a step each step time."""
    events: list[dict[str, Any]] = [{"at_s": LOAD_AT_s, "set": n, "to": 1.0} for n in names]
    # A step lost toward open is a step made without the controller: the shaft turns, it counts not.
    events += [
        {"at_s": LOAD_AT_s + (k + 1) * step_s, "set": "lost_steps", "to": -1.0}
        for k in range(opened_steps)
        if (k + 1) * step_s < AFTER_s
    ]
    return sim.Scenario.model_validate(
        {
            "name": f"{'+'.join(names)} opened {opened_steps}",
            "duration_s": LOAD_AT_s + AFTER_s,
            "coolant_degC": coolant_degC,
            "event": events,
        }
    )


def _dips(cars: Sequence[Car], scenarios: Sequence[sim.Scenario], base_error_steps: float) -> Reals:
    """Deepest dip, settled speed and whether it stalled: shape (3, cars, scenarios) [rpm, rpm, -]."""
    fleet = sim.make_fleet(cars, scenarios)
    plan = sim.full_plan(
        fleet, sim.settings_table(cars), base_error_steps=[base_error_steps], pair_settings_with_cars=True
    )
    out = np.empty((3, plan.car.size))
    windows = [("load", LOAD_AT_s, LOAD_AT_s + AFTER_s)]
    end = round(SETTLED_s / sim.SAMPLE_s)

    def keep(rows: Any, rpm: Any, steps: Any, counted: Reals) -> None:
        stalled_s = counted[:, sim.COUNTERS.index("stalled_s")]
        stalled_at = np.where(np.isfinite(stalled_s), stalled_s / sim.SAMPLE_s, -1.0).astype(np.int64)
        target = counted[:, sim.COUNTERS.index("target_rpm")]
        values = measure_runs(rpm, steps, windows, target, stalled_at)
        out[0, rows] = values[:, COLUMN["worst_dip_rpm"]]
        out[1, rows] = rpm[:, -end:].mean(axis=1)
        out[2, rows] = np.isfinite(stalled_s)

    sim.run_plan(fleet, plan, keep)
    return out.reshape(3, len(cars), len(scenarios))


def _resting(car: Car, point: IdlePoint) -> tuple[Car, float, float]:
    """The car without scatter, at rest on its target at a whole position; that, and base error."""
    whole = min(max(round(point.needed_steps), 1), car.valve.open_limit_steps - 1)
    leak = car.throttle.leak_mm2 + point.leak_for(whole - point.needed_steps)
    at_rest = sim.with_values(without_scatter(car), {"throttle": {"leak_mm2": max(leak, 0.0)}})
    return at_rest, float(whole), float(whole) - point.base_steps


def bound_rows(car: Car, point: IdlePoint) -> tuple[BoundRow, ...]:
    """The unbeatable dip for each load that the car can switch on, beside its own; empty without loads.

    The bound holds for the valve alone: spark acts sooner. Dips are of measured speed, from the mean of
    the two seconds before.
    """
    at_rest, whole, error = _resting(car, point)
    step_s = car.valve.step_ms / 1000.0
    most = min(MOST_OPENED_steps, int(car.valve.travel_steps - whole))
    spark = {"spark_trim_deg_per_100rpm": SPARK_deg_per_100rpm, "spark_trim_limit_deg": SPARK_LIMIT_deg}
    still, sparked = (sim.with_values(at_rest, {"feedback": one}) for one in ({"law": "none"}, spark))
    found = []
    for key, name, names in fitted_loads(car):
        scenarios = [opening_scenario(names, n, step_s, point.coolant_degC) for n in range(most + 1)]
        dips, settled, stalled = _dips([still], scenarios, error)[:, 0]
        forward, best = int(np.argmin(np.abs(settled - point.target_rpm))), int(np.argmin(dips))
        own, _, own_stalled = _dips([at_rest, sparked], [scenarios[0], scenarios[forward]], error)
        found.append(
            BoundRow(
                key=key, name=name, own_rpm=float(own[0, 0]), held_rpm=float(dips[0]),
                bound_rpm=float(dips[best]), forward_rpm=float(dips[forward]), forward_steps=forward,
                spark_rpm=float(own[1, 0]), forward_spark_rpm=float(own[1, 1]),
                stalls=bool(own_stalled[0, 0]), bound_stalls=bool(stalled[best]),
            )
        )  # fmt: skip
    return tuple(found)
