"""Logs of engines of two other structures than the model's, whose truth is known from how each was made.

Whether it hunts is told without the product's rule: the same engine with the same chance is run with the
valve held. Where its smoothed speed swings by half as much again with feedback as without, in the first
half of the log and in the second, and the valve turns back four times or more there, it hunts; where by less
than a seventh more, it does not; what lies between is called border, and no answer to it is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise, product

import numpy as np

from controllers import make_controller
from sim import Car, with_values
from tests import mean_value_engine as mean_value
from tests.foreign_engine import LEAK, SCATTER, ForeignEngine, begun, chance, go, make_engine
from tests.idle_records import guessed_car, log_of
from tuning.logs.log import Log

Engine = ForeignEngine | mean_value.MeanValueEngine
Outside = tuple[float, float, float]

SPACING_s = 0.05
STRUCTURES = ("pulses", "mean values")
SETTINGS = tuple(
    {"gain_steps_per_100rpm": gain, "integral_steps_per_100rpm_s": integral, "deadband_rpm": band,
     "min_move_steps": move}
    for gain, integral, band, move in product((1.0, 3.5), (1.0, 4.0), (6.0, 20.0, 45.0), (1, 4))
)  # fmt: skip
KINDS = ("feedback", "held", "then held", "blips", "loads", "noise", "sine", "misfire", "driving", "reversed")
DISTURBED = ("blips", "loads", "sine", "misfire")
HUNTS, NOT, BORDER, UNASKED = "hunts", "does not hunt", "border", "not asked"
SWINGS_MORE, AS_MUCH, FEWEST_TURNS = 1.5, 1.15, 4
LEAST_rpm = 4.0
"""A swing that feedback makes of less than this standard deviation is none [rpm]."""
SETTLE_s, HELD_s = 12.0, 40.0
AFTER_s, LEAD_s, SHORTEST_s = 6.0, 0.5, 4.0
"""Left out after a change from outside, and before it; shorter stretches show no swing [s, s, s]."""


@dataclass(frozen=True)
class Made:
    """A log at full rate with every column, and what is true of it."""

    kind: str
    log: Log
    hunts: str
    period_s: float = np.nan  # of loads that cycle


class Pulses:
    """An engine of ``tests/foreign_engine.py`` as it runs."""

    def __init__(self, engine: ForeignEngine, steps: float, draws: np.ndarray) -> None:
        self.numbers, self.draws = engine.numbers, draws
        self.memory = begun(engine.numbers, engine.target_rpm, steps, -4.0)

    def go(self, until_s: float, commanded: float, outside: Outside) -> tuple[float, float]:
        """Run on; measured speed and sensed pressure [rpm, kPa]."""
        load, torque, opened = outside
        around = (load, torque, opened * float(self.numbers[LEAK]))
        rpm, sensed, _ = go(self.numbers, self.memory, until_s, commanded, around, self.draws)
        return rpm, sensed / 1000.0


@cache
def engine_of(structure: str, seed: int) -> Engine:
    """An engine of a structure."""
    return make_engine(seed) if structure == "pulses" else mean_value.make_mean_value_engine(seed)


def needing(engine: Engine, steps: float) -> Engine:
    """The same engine that needs the valve to stand so much further open."""
    if isinstance(engine, ForeignEngine):
        return engine.needing(steps)
    n = engine.numbers.copy()
    n[mean_value.BASE] += steps
    return replace(engine, numbers=n)


@dataclass(frozen=True)
class Surroundings:
    """What happens to an engine beside its valve."""

    blips_s: tuple[float, ...] = ()
    load_W: float = 0.0
    load_period_s: float = np.inf
    sine_Nm: float = 0.0
    sine_s: float = 4.0
    driven: tuple[tuple[float, float], ...] = ()  # time, throttle open over the leak

    def opened(self, at_s: float) -> float:
        """Throttle open over the leak."""
        if self.driven:
            times, opened = zip(*self.driven, strict=True)
            return float(np.interp(at_s, times, opened))
        return max(
            (float(np.interp(at_s - t, (0.0, 0.2, 0.9, 1.5), (0.0, 4.0, 4.0, 0.0))) for t in self.blips_s),
            default=0.0,
        )

    def changes_s(self, duration_s: float) -> tuple[float, ...]:
        """When something changes."""
        loads = (
            np.arange(0.0, duration_s, 0.5 * self.load_period_s) if np.isfinite(self.load_period_s) else ()
        )
        return tuple(sorted((*self.blips_s, *(float(one) for one in loads))))

    def __call__(self, at_s: float) -> Outside:
        on = at_s % self.load_period_s > 0.5 * self.load_period_s
        sine = self.sine_Nm * np.sin(2.0 * np.pi * at_s / self.sine_s)
        return (self.load_W if on else 0.0, float(sine), self.opened(at_s))


def run(
    engine: Engine, car: Car, draws: np.ndarray, around: Surroundings, duration_s: float,
    error_steps: float = 0.0, held_from_s: float = np.inf, held_at: float = np.nan, way: float = 1.0,
) -> dict[str, np.ndarray]:  # fmt: skip
    """Speed, pressure and commanded steps every 50 ms of an engine under a car's controller.

    The engine needs so much less air than its base steps give as ``error_steps`` are worth.
    With ``held_from_s`` the valve stays from then on where it is, or at ``held_at``; with ``way`` -1 it goes
    against what it is told.
    """
    engine, base = needing(engine, -error_steps), engine.base_steps
    controller = make_controller(with_values(car, {"curves": {"base_steps": [[0.0, base], [100.0, base]]}}))
    commanded = base if np.isnan(held_at) else held_at
    running = (Pulses if isinstance(engine, ForeignEngine) else mean_value.Running)(engine, commanded, draws)  # type: ignore[arg-type]
    rows = round(duration_s / SPACING_s)
    told = np.zeros((3, rows))
    rpm, _ = running.go(0.0, commanded, (0.0, 0.0, 0.0))
    updates = np.arange(0.0, duration_s, controller.period_s)
    row = 0
    for at_s, next_s in zip(updates, [*updates[1:], duration_s], strict=True):
        outside = around(float(at_s))
        if at_s < held_from_s and np.isnan(held_at):
            commanded = float(controller.step(float(at_s), rpm, 90.0, outside[2] == 0.0))
        went = base + way * (commanded - base)
        while row < rows and (row + 1) * SPACING_s <= next_s + 1e-9:
            rpm, pressure_kPa = running.go((row + 1) * SPACING_s, went, outside)
            told[:, row] = rpm, pressure_kPa, commanded
            row += 1
        rpm, _ = running.go(float(next_s), went, outside)
    times = np.arange(1, rows + 1) * SPACING_s
    return {"time_s": times, "rpm": told[0], "map_kPa": told[1], "coolant_degC": np.full(rows, 90.0),
            "valve_steps": told[2], "target_rpm": np.full(rows, engine.target_rpm)}  # fmt: skip


def swing_rpm(rpm: np.ndarray) -> float:
    """Standard deviation of speed averaged over half a second, less its straight line [rpm]."""
    smooth = np.convolve(rpm, np.ones(10) / 10.0, mode="valid")
    at = np.arange(smooth.size)
    return float(np.std(smooth - np.polynomial.Polynomial.fit(at, smooth, 1)(at)))


def turns_of(steps: np.ndarray) -> int:
    """How often a valve turns back."""
    moves = np.diff(steps)
    return int(np.count_nonzero(np.diff(np.sign(moves[moves != 0.0]))))


def truth(columns: dict[str, np.ndarray], held: np.ndarray, changes_s: tuple[float, ...] = ()) -> str:
    """Whether it hunts, by the same engine with the valve held; what follows a change is left out."""
    fed, at_s = columns["rpm"], columns["time_s"]
    marks = [SETTLE_s, *(one for one in changes_s if one > SETTLE_s), at_s[-1] + LEAD_s]
    answers = set()
    stretches = [
        np.flatnonzero((at_s > begin + (AFTER_s if begin > SETTLE_s else 0.0)) & (at_s < end - LEAD_s))
        for begin, end in pairwise(marks)
    ]
    stretches = [rows for rows in stretches if rows.size * SPACING_s >= SHORTEST_s]
    if len(stretches) == 1:
        stretches = np.array_split(stretches[0], 2)
    turns = sum(turns_of(columns["valve_steps"][rows]) for rows in stretches)
    halves = stretches[: len(stretches) // 2], stretches[len(stretches) // 2 :]
    for half in halves:
        if not half:
            return BORDER
        with_rpm, without_rpm = (
            np.sqrt(np.mean([swing_rpm(speed[rows]) ** 2 for rows in half])) for speed in (fed, held)
        )
        more = np.sqrt(max(with_rpm**2 - without_rpm**2, 0.0)) > LEAST_rpm
        if more and with_rpm > SWINGS_MORE * without_rpm:
            answers.add(HUNTS)
        elif not more or with_rpm < AS_MUCH * without_rpm:
            answers.add(NOT)
        else:
            answers.add(BORDER)
    answer = answers.pop() if len(answers) == 1 else BORDER
    return BORDER if answer == HUNTS and turns < FEWEST_TURNS else answer


def _surroundings(kind: str, engine: Engine, rng: np.random.Generator, duration_s: float) -> Surroundings:
    litres = engine.displacement_cm3 / 1000.0
    if kind == "blips":
        return Surroundings(
            blips_s=tuple(float(rng.uniform(5.0, duration_s - 5.0)) for _ in range(int(rng.integers(1, 4))))
        )
    if kind == "loads":
        return Surroundings(
            load_W=float(rng.uniform(70.0, 160.0)) * litres, load_period_s=float(rng.uniform(16.0, 34.0))
        )
    if kind == "sine":
        return Surroundings(
            sine_Nm=float(rng.uniform(0.6, 1.6)) * litres, sine_s=float(rng.uniform(1.5, 9.0))
        )
    if kind == "driving":
        times = np.concatenate([[0.0, 6.0], np.sort(rng.uniform(6.0, duration_s, 14)), [duration_s + 1.0]])
        return Surroundings(
            driven=tuple(zip(times.tolist(), [0.0, 0.0, *rng.uniform(0.5, 5.0, 15)], strict=True))
        )
    return Surroundings()


def _draws(kind: str, engine: Engine, seed: int, rng: np.random.Generator) -> np.ndarray:
    draws = chance(seed)
    if kind == "misfire":
        scatter = engine.numbers[SCATTER if isinstance(engine, ForeignEngine) else mean_value.SCATTER]
        draws[rng.random(draws.size) < rng.uniform(0.01, 0.04)] = -1.0 / scatter
    return draws


def made(structure: str, setting: int, kind: str, seed: int) -> Made:
    """Make one log: an engine drawn from the seed, one of the settings, one thing that happens."""
    rng = np.random.default_rng([seed, setting, KINDS.index(kind)])
    engine = engine_of(structure, seed)
    feedback = {"law": "pi", "update_period_ms": float(rng.choice([60.0, 100.0, 200.0])), **SETTINGS[setting]}
    car = with_values(guessed_car(engine), {"feedback": feedback})  # type: ignore[arg-type]
    duration_s = float(rng.choice([60.0, 80.0, 110.0]))
    around = _surroundings(kind, engine, rng, duration_s)
    draws = _draws(kind, engine, seed * 100 + setting, rng)
    error = float(rng.uniform(-3.0, 3.0))
    if kind == "noise":
        return _noise(engine, rng, duration_s, draws)
    if kind in {"held", "reversed", "driving"}:
        way = -1.0 if kind == "reversed" else 1.0
        held_at = engine.base_steps if kind == "held" else np.nan
        log = log_of(run(engine, car, draws, around, duration_s, error, held_at=held_at, way=way))
        return Made(kind, _with_throttle(log, around), NOT if kind == "held" else UNASKED)
    columns = run(engine, car, draws, around, duration_s, error)
    at = float(np.median(columns["valve_steps"]))
    held = run(engine, car, draws, around, duration_s, error, held_at=at)["rpm"]
    hunts = truth(columns, held, around.changes_s(duration_s))
    if kind in DISTURBED:  # what happens swings the held engine too: asked of the engine left alone as well
        alone, calm = Surroundings(), chance(seed * 100 + setting)
        by_itself = truth(run(engine, car, calm, alone, duration_s, error),
                          run(engine, car, calm, alone, duration_s, error, held_at=at)["rpm"])  # fmt: skip
        hunts = hunts if hunts == by_itself else BORDER
    if kind == "then held":
        columns = run(engine, car, draws, around, duration_s + HELD_s, error, held_from_s=duration_s)
    return Made(kind, log_of(columns), hunts, around.load_period_s if kind == "loads" else np.nan)


def _with_throttle(log: Log, around: Surroundings) -> Log:
    if not around.driven:
        return log
    opened = np.array([around.opened(float(t)) for t in log.time_s])
    return replace(log, throttle_percent=np.round(2.0 + 4.0 * opened, 1))


def _noise(engine: Engine, rng: np.random.Generator, duration_s: float, draws: np.ndarray) -> Made:
    """Speed of pure noise, of no engine, beside a valve that stands or ticks by another chance."""
    rows = round(duration_s / SPACING_s)
    keep = float(rng.uniform(0.0, 0.95))
    noise = np.zeros(rows)
    for row in range(1, rows):
        noise[row] = keep * noise[row - 1] + np.sqrt(1.0 - keep * keep) * draws[row]
    steps = np.full(rows, engine.base_steps)
    if rng.random() < 0.5:
        steps += np.repeat(rng.integers(0, 3, rows // 20 + 1), 20)[:rows]
    rpm = engine.target_rpm + float(rng.uniform(5.0, 25.0)) * noise
    columns = {
        "time_s": np.arange(1, rows + 1) * SPACING_s,
        "rpm": rpm,
        "valve_steps": steps,
        "coolant_degC": np.full(rows, 90.0),
        "target_rpm": np.full(rows, engine.target_rpm),
    }
    return Made("noise", log_of(columns), NOT)


RATES_Hz = (20.0, 10.0, 5.0, 2.5, 1.0)
COLUMNS = ("map_kPa", "coolant_degC", "target_rpm", "throttle_percent")


def recorded(log: Log, rate_Hz: float, valve: bool, leave_out: tuple[str, ...] = ()) -> Log:
    """The log as a slower recorder with fewer columns would have written it."""
    every = round(1.0 / (SPACING_s * rate_Hz))
    names = [*(["valve_steps"] if valve else []), *(name for name in COLUMNS if name not in leave_out)]
    columns = {name: getattr(log, name)[every - 1 :: every] for name in ("time_s", "rpm", *names)
               if getattr(log, name) is not None}  # fmt: skip
    return log_of(columns)
