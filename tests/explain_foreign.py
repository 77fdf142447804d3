"""What explain says of cars fitted to engines of two other structures, beside what those engines do.

Chance, swing and moves are measured on the engine itself, driven by the product's controller, with the
position it needs spread evenly over one move as there, by the product's one rule of hunting beside the same
engine with the valve held.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from sim import Car, with_values
from tests import mean_value_engine as mean_value
from tests.foreign_engine import ForeignEngine, chance
from tests.foreign_logs import Engine, Pulses, Surroundings, engine_of, run
from tests.idle_records import guessed_car, log_of, planned
from tests.said import is_hunting
from tuning import explain, fit, recording_plan
from tuning.identification.recording_guide import RecordingPlan
from tuning.logs.log import Log
from tuning.measures import measure

RUNS, LENGTH_s, FROM_s = 24, 120.0, 20.0
"""As many runs as ``explain`` makes, as long, the same beginning left out [-, s, s]."""
ENGINES = tuple(("mean values" if seed % 2 == 0 else "pulses", seed) for seed in range(751, 761))
"""Engines that nothing was set on: ten, as a fit to one recording is off by some tenth on each in its own
direction, and two of them tell more of chance than of ``explain``."""
SETTINGS = tuple(
    {"gain_steps_per_100rpm": gain, "integral_steps_per_100rpm_s": integral, "deadband_rpm": band,
     "min_move_steps": move}
    for gain, integral in ((1.0, 0.7), (1.0, 3.0), (4.0, 3.0))
    for band, move in ((8.0, 1), (8.0, 3), (25.0, 2), (25.0, 4), (45.0, 1), (45.0, 4))
)  # fmt: skip


@dataclass(frozen=True)
class Beside:
    """One setting on one engine: told by explain, and done by the engine."""

    told_chance: float
    done_chance: float
    told_rpm: float
    done_rpm: float
    told_per_min: float
    done_per_min: float

    @property
    def same_word(self) -> bool:
        """Whether it hunts more often than not, in both."""
        return (self.told_chance > 0.5) == (self.done_chance > 0.5)

    def near(self, told: float, done: float, least: float) -> bool:
        """Whether within a tenth, or within what nobody minds."""
        return abs(told - done) <= max(0.1 * done, least)


def plan_log(engine: Engine, plan: RecordingPlan, seed: int) -> Log:
    """A recording plan carried out on an engine."""
    first, draws = float(plan.holds[0].steps), chance(seed)
    running: Pulses | mean_value.Running
    if isinstance(engine, ForeignEngine):
        running = Pulses(engine, first, draws)
    else:
        running = mean_value.Running(engine, first, draws)
    times, steps, load_W, rows = planned(plan, seed)
    told = [
        running.go(float(t), one, (watts, 0.0, 0.0))
        for t, one, watts in zip(times, steps, load_W, strict=True)
    ]
    rpm, pressure_kPa = np.array(told)[rows].T
    times, steps, load_W = times[rows], steps[rows], load_W[rows]
    return log_of(
        {"time_s": times, "rpm": rpm, "map_kPa": pressure_kPa, "coolant_degC": np.full(times.size, 90.0),
         "valve_steps": steps, "load_W": load_W},
        "foreign.csv",
    )  # fmt: skip


def done(engine: Engine, car: Car, seed: int) -> tuple[float, float, float]:
    """Chance of hunting, swing and moves of an engine under a car's controller [-, rpm, 1/min]."""
    window = [("hunting", FROM_s, LENGTH_s)]
    errors = ((np.arange(RUNS) + 0.5) / RUNS - 0.5) * car.feedback.min_move_steps
    alone = Surroundings()
    held = [
        measure(
            log_of(run(engine, car, chance(seed + k), alone, LENGTH_s, held_at=engine.base_steps)), window
        )
        for k in range(4)
    ]
    floor = float(np.mean([one.hunting_rpm for one in held]))
    seen = [
        measure(log_of(run(engine, car, chance(seed + k), alone, LENGTH_s, float(error))), window)
        for k, error in enumerate(errors)
    ]
    share = float(np.mean([is_hunting(one, floor) for one in seen]))
    swing = float(np.mean([one.hunting_rpm for one in seen]))
    return share, swing, float(np.mean([one.moves_per_min for one in seen]))


def beside(structure: str, seed: int) -> Iterable[Beside]:
    """An engine fitted from its recording, then each setting."""
    engine = engine_of(structure, seed)
    guess = guessed_car(engine)  # type: ignore[arg-type]
    fitted = fit(guess, plan_log(engine, recording_plan(guess), seed)).car
    for number, settings in enumerate(SETTINGS):
        car = with_values(fitted, {"feedback": {"law": "pi", "update_period_ms": 100.0, **settings}})
        as_is = explain(car, quick=True).ablation
        share, swing, moves = done(engine, car, 1000 * seed + 50 * number)
        yield Beside(
            as_is.chance.share, share, as_is.as_is.with_scatter_swing_rpm, swing,
            as_is.as_is.with_scatter_moves_per_min, moves,
        )  # fmt: skip
