"""Fits from a hunting log alone: engines of another structure under settings with which they hunt.

Of the settings that ``tests/foreign_logs.py`` tries, in an order drawn from a seed, the first with which the
engine hunts (by that module's truth, not the product's rule) and swings by less than 600 rpm is recorded.
Updates do not come in step with the recorder's rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim import Car, with_values
from tests.foreign_engine import ForeignEngine, chance, make_engine
from tests.foreign_logs import HUNTS, SETTINGS, Surroundings, run, truth
from tests.idle_records import guessed_car, log_of
from tuning import fit
from tuning.logs.log import Log

FIRST_s, WIDEST_rpm = 10.0, 600.0
PERIODS_ms = (70.0, 110.0, 130.0, 170.0, 190.0, 230.0)


@dataclass(frozen=True)
class HuntingFit:
    """What a fit to a hunting log says of the worth of a step, beside the engine itself."""

    seed: int
    car: Car
    worth_rpm: float
    low_rpm: float
    high_rpm: float
    true_rpm: float

    @property
    def trusted(self) -> bool:
        """Whether the fit says that it can be trusted."""
        return self.car.car.fit_verdict == "trusted"

    @property
    def near(self) -> bool:
        """Whether it is within a tenth."""
        return abs(self.worth_rpm / self.true_rpm - 1.0) <= 0.1


def hunting_log(seed: int, length_s: float) -> tuple[ForeignEngine, Car, Log, float] | None:
    """Engine, its car as guessed, the log, and by how much its base curve is off; None if it never hunts."""
    engine, rng, calm = make_engine(seed), np.random.default_rng([seed, 77]), Surroundings()
    guess, draws = guessed_car(engine), chance(9000 + seed)
    held = run(engine, guess, draws, calm, length_s + FIRST_s, held_at=engine.base_steps)
    for which in rng.permutation(len(SETTINGS)):
        feedback = {"law": "pi", **SETTINGS[which], "update_period_ms": float(rng.choice(PERIODS_ms))}
        car, error = with_values(guess, {"feedback": feedback}), float(rng.uniform(-3.0, 3.0))
        seen = run(engine, car, draws, calm, length_s + FIRST_s, error)
        if truth(seen, held["rpm"]) == HUNTS and np.ptp(seen["rpm"]) < WIDEST_rpm:
            kept = {name: values[seen["time_s"] > FIRST_s] for name, values in seen.items()}
            return engine, car, log_of(kept | {"time_s": kept["time_s"] - FIRST_s}), error
    return None


def hunting_fit(seed: int, length_s: float) -> HuntingFit | None:
    """A fit to the hunting log of an engine, and the truth at the position it is told for."""
    made = hunting_log(seed, length_s)
    if made is None:
        return None
    engine, car, log, error = made
    fitted = fit(car, log)
    really = engine.needing(-error)
    above, below = (really.settled_rpm(fitted.at_steps + off) for off in (1.5, -1.5))
    worth = fitted.rpm_per_step
    return HuntingFit(seed, fitted.car, worth.value, worth.low, worth.high, (above - below) / 3.0)
