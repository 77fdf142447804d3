"""Fits from a hunting log: engines of another structure under settings with which they hunt.

Of the settings that ``tests/foreign_logs.py`` tries, in an order drawn from a seed, the first with which the
engine hunts (by that module's truth, not the product's rule) and swings by less than 600 rpm is recorded.
Updates do not come in step with the recorder's rows. Where the fit says what more to hold by hand, that is
recorded too, and both logs are fitted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim import Car, with_values
from tests.foreign_engine import ForeignEngine, chance, make_engine
from tests.foreign_logs import HUNTS, SETTINGS, SPACING_s, Surroundings, run, truth
from tests.idle_records import guessed_car, log_of
from tuning import Fit, fit
from tuning.logs.log import Log

FIRST_s, WIDEST_rpm = 10.0, 600.0
PERIODS_ms = (70.0, 110.0, 130.0, 170.0, 190.0, 230.0)


@dataclass(frozen=True)
class HuntingFit:
    """What a fit says of the worth of a step, beside the engine itself."""

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

    @property
    def holds(self) -> bool:
        """Whether its interval holds the truth."""
        return self.low_rpm <= self.true_rpm <= self.high_rpm


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


def advised(found: Fit) -> tuple[int, ...]:
    """Positions that a fit to a hunting log says to hold, in order; none if it asks for nothing [steps]."""
    told = [one.note for one in found.checks if one.note.code == "identification.hold_more"]
    return (int(str(told[0]["base_steps"])), int(str(told[0]["open_steps"]))) * 2 if told else ()


def held_log(engine: ForeignEngine, positions: tuple[int, ...], each_s: float, seed: int) -> Log:
    """The engine with its valve held at one position after the other."""
    rows = np.arange(1, round(len(positions) * each_s / SPACING_s) + 1) * SPACING_s
    at = np.minimum((rows - 1e-9) // each_s, len(positions) - 1).astype(int)
    steps = np.array(positions, dtype=float)[at]
    rpm, map_kPa = engine.drive(rows, np.append(steps[1:], steps[-1]), None, 500 + seed)
    still = {"coolant_degC": np.full(rows.size, 90.0), "target_rpm": np.full(rows.size, engine.target_rpm)}
    return log_of({"time_s": rows, "rpm": rpm, "map_kPa": map_kPa, "valve_steps": steps, **still}, "held.csv")


def hunting_fits(seed: int, length_s: float) -> tuple[HuntingFit, HuntingFit] | None:
    """Fits to the hunting log of an engine, alone and with what it asks for, beside the truth."""
    made = hunting_log(seed, length_s)
    if made is None:
        return None
    engine, car, log, error = made
    really, alone = engine.needing(-error), fit(car, log)
    positions = advised(alone)
    more = fit(car, [log, held_log(really, positions, 10.0, seed)]) if positions else alone

    def beside_truth(found: Fit) -> HuntingFit:
        above, below = (really.settled_rpm(found.at_steps + off) for off in (1.5, -1.5))
        worth = found.rpm_per_step
        return HuntingFit(seed, found.car, worth.value, worth.low, worth.high, (above - below) / 3.0)

    return beside_truth(alone), beside_truth(more)
