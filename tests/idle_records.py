"""Logs for tests, as a recorder would have taken them: of the project's model, or of any engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from sim import Car, Scenario, load_car, simulate, with_values
from sim.replay import make_drive, replay
from tests.foreign_engine import ForeignEngine
from tuning.identification.recording_guide import RecordingPlan
from tuning.logs.log import Log

SPACING_s = 0.05


def log_of(columns: dict[str, np.ndarray], file: str = "recorded.csv") -> Log:
    """A log of columns by our names, rounded as recorders do."""
    rounded: dict[str, Any] = dict(columns)
    rounded["rpm"] = np.round(rounded["rpm"])
    if "map_kPa" in rounded:
        rounded["map_kPa"] = np.round(rounded["map_kPa"], 1)
    rows = rounded["rpm"].size
    rate_Hz = (rows - 1) / float(np.ptp(rounded["time_s"]))
    bare = Log(file, rounded["time_s"], rounded["rpm"], parts=(slice(0, rows),), rate_Hz=rate_Hz)
    return replace(bare, **rounded)


def simulated_log(
    car: Car,
    events: Sequence[tuple[float, str, float]] = (),
    seed: int = 0,
    duration_s: float = 60.0,
    base_error_steps: float = 0.0,
    coolant_degC: float = 90.0,
    leave_out: Sequence[str] = (),
) -> Log:
    """A log of a car that idles with its own feedback while things happen."""
    scenario = Scenario.model_validate(
        {
            "name": "recorded",
            "duration_s": duration_s,
            "coolant_degC": coolant_degC,
            "event": [{"at_s": at, "set": name, "to": to} for at, name, to in events],
        }
    )
    trace = simulate(car, scenario, seed, base_error_steps=base_error_steps)
    names = ("rpm", "map_kPa", "coolant_degC", "battery_V", "valve_steps", "spark_deg",
             "target_rpm")  # fmt: skip
    columns = {n: trace.resampled(n, SPACING_s) for n in names if n not in leave_out}
    times = (np.arange(columns["rpm"].size) + 1.0) * SPACING_s
    return log_of({"time_s": times, **columns})


def planned(plan: RecordingPlan, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """What is done as a plan says: times, steps and load [s, steps, W], and which of them are rows of a log.

    A change comes at any time between two rows, as no recorder waits for a controller.
    """
    rows_s = np.arange(1, int(plan.duration_s / SPACING_s) + 1) * SPACING_s
    begins = np.array([hold.from_s for hold in plan.holds])
    late_s = np.random.default_rng([seed, 20]).random(begins.size) * SPACING_s
    begins = np.where(begins > 0.0, begins + late_s, begins)
    times = np.unique(np.concatenate([rows_s, begins[begins > 0.0]]))
    at = np.searchsorted(begins, times - 1e-9, side="right") - 1
    steps = np.array([float(hold.steps) for hold in plan.holds])[at]
    load_W = np.array([hold.load_W for hold in plan.holds])[at]
    return times, steps, load_W, np.isin(times, rows_s)


def foreign_log(engine: ForeignEngine, plan: RecordingPlan, seed: int) -> Log:
    """A log of an engine of another structure, driven as a plan says."""
    times, steps, load_W, rows = planned(plan, seed)
    # The engine takes a command from its time on; planned is what holds until then.
    rpm, map_kPa = engine.drive(times, np.append(steps[1:], steps[-1]), load_W, seed)
    times, steps, load_W, rpm, map_kPa = (one[rows] for one in (times, steps, load_W, rpm, map_kPa))
    return log_of(
        {
            "time_s": times,
            "rpm": rpm,
            "map_kPa": map_kPa,
            "coolant_degC": np.full(times.size, 90.0),
            "valve_steps": steps,
            "load_W": load_W,
        },
        "foreign.csv",
    )


def guessed_car(engine: ForeignEngine) -> Car:
    """What ``evenidle new`` makes of the few facts an owner knows of an engine."""
    from sim.estimates import estimate_car

    base = engine.base_steps
    car, _ = estimate_car(
        engine.displacement_cm3,
        engine.cylinders,
        engine.target_rpm,
        engine.pulse_ms,
        engine.rest_ms,
        base=((0.0, base + 30.0), (30.0, base + 15.0), (90.0, base)),
    )
    return with_values(car, {"loads": {"lamps_W": 110.0}})


def pole_of(time_s: np.ndarray, rpm: np.ndarray) -> float:
    """Distance from zero of the pole pair of a step response without scatter [rad/s].

    A decaying oscillation is fitted from 0.35 s after the step on, past delay and valve travel.
    """
    late = time_s > 0.35
    t, end = time_s[late], float(np.mean(rpm[-40:]))

    def left(x: np.ndarray) -> np.ndarray:
        wave = x[0] * np.cos(x[3] * t) + x[1] * np.sin(x[3] * t)
        return np.asarray(wave * np.exp(-x[2] * t) + end - rpm[late])

    starts = ((1.0, 1.0), (1.5, 0.3), (0.7, 1.5), (2.0, 2.0))
    found = [
        least_squares(left, [rpm[0] - end, 0.0, *start], max_nfev=300) for start in starts
    ]  # fmt: skip
    best = min(found, key=lambda one: one.cost)
    return float(np.hypot(best.x[2], best.x[3]))


def _step(rpm: np.ndarray, times: np.ndarray) -> float:
    after = times >= 5.98
    return pole_of(times[after] - 6.0, rpm[after])


def poles(engine: ForeignEngine, car: Car, size: float = 3.0) -> tuple[float, float]:
    """Main pole of an engine and of a car, by the same steps up and down [rad/s]."""
    times = np.arange(0.0, 16.0, 0.02)
    true, fitted = [], []
    for change in (size, -size):
        steps = np.where(times < 6.0, engine.base_steps, engine.base_steps + change)
        true.append(_step(engine.drive(times, steps, noisy=False)[0], times))
        drive = make_drive(times, steps, start_rpm=engine.target_rpm)
        fitted.append(_step(replay(car, drive).rpm, times))
    return float(np.mean(true)), float(np.mean(fitted))


def worth_of_step(engine: ForeignEngine, car: Car, size: float = 3.0) -> tuple[float, float]:
    """Worth of a step about base of an engine and of a car [rpm/step]."""
    from sim.linearise import settled_rpm

    ends = (engine.base_steps - size, engine.base_steps + size)
    true = (engine.settled_rpm(ends[1]) - engine.settled_rpm(ends[0])) / (2.0 * size)
    fitted = settled_rpm(car, ends)
    return true, float(fitted[1] - fitted[0]) / (2.0 * size)


FAULTS = ("hunting", "scatter", "leak", "lost position", "spark")
CALM = {
    "law": "pi", "gain_steps_per_100rpm": 2.0, "integral_steps_per_100rpm_s": 0.8,
    "deadband_rpm": 40.0, "min_move_steps": 1,
}  # fmt: skip


def faulty_log(fault: str, seed: int) -> Log:
    """A minute of an engine with one fault, everything else drawn from a seed."""
    rng = np.random.default_rng(1000 + seed)
    car = load_car(("trials", "six", "trials")[seed % 3])
    car = with_values(car, {"engine": {"scatter_share": float(rng.uniform(0.05, 0.09))}})
    phase = float(rng.uniform(-1.5, 1.5))
    if fault == "hunting":
        return _hunting_log(car, rng, seed)
    if fault == "scatter":
        busy = CALM | {"gain_steps_per_100rpm": 3.0, "deadband_rpm": 3.0}
        rough = {"scatter_share": float(rng.uniform(0.08, 0.13))}
        return simulated_log(with_values(car, {"engine": rough, "feedback": busy}), seed=seed)
    calm = with_values(car, {"feedback": CALM})
    at_s = float(rng.uniform(15.0, 40.0))
    if fault == "leak":
        area = float(rng.uniform(1.5, 4.0)) * car.throttle.leak_mm2 / 5.6
        events = [(at_s, "vacuum_leak_mm2", area)]
        return simulated_log(calm, events, seed, 70.0, phase)
    if fault == "lost position":
        events = [(at_s, "lost_steps", float(rng.integers(4, 9)))]
        return simulated_log(calm, events, seed, 70.0, phase)
    slope = -float(rng.uniform(3.0, 7.0))
    fighting = with_values(calm, {"spark": {"advance_deg_per_100rpm": slope}})
    return simulated_log(fighting, seed=seed, base_error_steps=phase)


def _hunting_log(car: Car, rng: np.random.Generator, seed: int) -> Log:
    """A coarse, quick loop, begun where the engine without scatter hunts on."""
    coarse = CALM | {
        "gain_steps_per_100rpm": 4.0,
        "integral_steps_per_100rpm_s": float(rng.uniform(4.0, 7.0)),
        "deadband_rpm": 8.0,
        "min_move_steps": 5,
    }
    car = with_values(car, {"feedback": coarse})
    even = with_values(
        car, {"engine": {"scatter_share": 0.0}, "sensors": {"rpm_noise_rpm": 0.0}}
    )  # fmt: skip
    phase = 0.0
    for phase in rng.uniform(-4.0, 4.0, 20):
        log = simulated_log(even, base_error_steps=float(phase))
        assert log.valve_steps is not None
        if np.count_nonzero(np.diff(log.valve_steps[600:])) >= 6:
            break
    return simulated_log(car, seed=seed, base_error_steps=float(phase))
