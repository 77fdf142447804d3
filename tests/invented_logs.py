"""Invented demonstration logs, made by the simulation itself.

A log for learning has to be told from a log of a car, so each says in its first line that it was
invented.  The engine behind them is the bundled trials car with a dozen of its numbers changed,
as a real car differs from what its owner wrote down.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controllers import curve_at
from sim import Car, load_car, load_scenario, simulate, with_values
from sim.files import write_beside
from sim.replay import make_drive, replay
from tuning.identification.recording_guide import RecordingPlan, recording_plan
from tuning.logs import write_log

Columns = dict[str, NDArray[np.float64]]

TRUTH: dict[str, dict[str, object]] = {
    "car": {"name": "trials as built"},
    "engine": {
        "inertia_kg_m2": 0.148,
        "friction_scale": 1.09,
        "work_per_air_kJ_per_kg": 981.1,
        "torque_delay_deg": 300.0,
        "scatter_share": 0.06,
        "scatter_memory": 0.15,
    },
    "manifold": {"volume_cm3": 2050.0},
    "throttle": {"leak_mm2": 5.8},
    "valve": {
        "area_mm2": [
            [0, 0], [3, 0.04], [8, 0.5], [12, 1.12], [20, 2.85], [30, 5.5], [40, 8.6],
            [50, 13.0], [56, 16.2], [60, 18.4], [70, 19.3], [75, 19.4], [100, 19.6],
        ],
        "backlash_steps": 0.5,
    },
    "electrics": {"efficiency": 0.5, "base_W": 205.0},
    "sensors": {"map_lag_s": 0.07},
}  # fmt: skip
"""What the invented engine has otherwise than the bundled trials car file."""
SEED = 20
HUNTING_ERROR_steps = 2.0
"""Error of the base curve in the hunting log: a start exactly at target hides hunting."""
DECIMALS = {"time_s": 2, "rpm": 0, "map_kPa": 1, "coolant_degC": 0, "battery_V": 2,
            "valve_steps": 0, "spark_deg": 1, "target_rpm": 0, "load_W": 0}  # fmt: skip
"""Resolution of the recorder that is made believe."""


def invented_car() -> Car:
    """The engine behind the bundled logs."""
    return with_values(load_car("trials"), TRUTH)


def record_plan(
    car: Car, plan: RecordingPlan, seed: int, rate_Hz: float = 20.0, coolant_degC: float = 90.0
) -> Columns:
    """Carry out a recording plan on a car in the model: columns as ``write_log`` takes them."""
    times = np.arange(1, int(plan.duration_s * rate_Hz) + 1) / rate_Hz
    begins = np.array([hold.from_s for hold in plan.holds])
    at = np.searchsorted(begins, times - 1.0e-9, side="right") - 1
    steps = np.array([float(hold.steps) for hold in plan.holds])[at]
    loads_W = np.array([hold.load_W for hold in plan.holds])
    events = [(float(t), "electrical_W", float(w)) for t, w in zip(begins, loads_W, strict=True)]
    drive = make_drive(
        times, steps, start_rpm=plan.holds[0].expected_rpm, coolant_degC=coolant_degC,
        events=events[1:],
    )  # fmt: skip
    read = replay(car, drive, seed=seed)
    if np.isfinite(read.stalled_s):
        raise ValueError(f"the engine stalls at {read.stalled_s:.1f} s, allowed: it keeps running")
    target = curve_at(car.curves.target_rpm, coolant_degC)
    return {
        "time_s": times,
        "rpm": read.rpm,
        "map_kPa": read.map_kPa,
        "coolant_degC": np.full(times.size, coolant_degC),
        "battery_V": read.battery_V,
        "valve_steps": steps,
        "spark_deg": read.spark_deg,
        "target_rpm": np.full(times.size, target),
        "load_W": loads_W[at],
    }


def record_idle(
    car: Car, seed: int, scenario: str = "warm_idle", rate_Hz: float = 20.0, base_error_steps: float = 0.0
) -> Columns:
    """Record a car that runs with its own feedback: columns of a log."""
    trace = simulate(car, load_scenario(scenario), seed, base_error_steps=base_error_steps)
    spacing_s = 1.0 / rate_Hz
    names = ("rpm", "map_kPa", "coolant_degC", "battery_V", "valve_steps", "spark_deg",
             "target_rpm")  # fmt: skip
    columns = {name: trace.resampled(name, spacing_s) for name in names}
    rows = columns["rpm"].size
    return {"time_s": (np.arange(rows) + 1.0) * spacing_s, **columns}


def write_invented(columns: Columns, path: str | Path, note: str) -> None:
    """Write an invented log that says so in its first line."""
    rounded: dict[str, ArrayLike] = {
        name: np.round(values, DECIMALS[name]) + 0.0 for name, values in columns.items()
    }
    write_log(rounded, path)
    table = Path(path).read_text(encoding="utf-8").replace(".0,", ",").replace(".0\n", "\n")
    write_beside(path, f"# Invented: made by evenidle's own simulation, not recorded. {note}\n{table}")


def write_bundled_logs(folder: str | Path) -> list[Path]:
    """Make the bundled demonstration logs anew; the files written."""
    car, described = invented_car(), load_car("trials")
    recording, hunting = Path(folder) / "trials_recording.csv", Path(folder) / "trials_hunting.csv"
    columns = record_plan(car, recording_plan(described), SEED)
    write_invented(columns, recording, "Trials car, warm, feedback off: the recording plan.")
    idle = record_idle(car, SEED, base_error_steps=HUNTING_ERROR_steps)
    write_invented(idle, hunting, "Trials car, warm, feedback on: it hunts.")
    return [recording, hunting]
