"""What is compared of a log, and the runs that predict it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim import (
    COUNTERS,
    Car,
    InputError,
    Problem,
    SAMPLE_s,
    Scenario,
    full_plan,
    make_fleet,
    run_plan,
    settings_table,
)
from tuning.log_events import idle_rows, stretches, undisturbed, unrecorded_loads
from tuning.logs import Log

Floats = NDArray[np.float64]
Windows = list[tuple[str, float, float]]
Loads = list[tuple[float, float]]

CARS, SEEDS = 12, 5
"""Plausible cars, and runs of each."""
LONGEST_s, SHORTEST_s = 240.0, 20.0
"""Stretch of the log that is compared [s]."""
SETTLING_s = 5.0
LOAD_WINDOW_s = 15.0
UNKNOWN_LOAD_W = 100.0
WARM_degC = 90.0
STALLED, TARGET = COUNTERS.index("stalled_s"), COUNTERS.index("target_rpm")


@dataclass(frozen=True, eq=False)
class Predicted:
    """Runs of plausible cars under a log's loads, one a row; ``stalled_at`` a sample, -1 for none."""

    rpm: NDArray[np.float32]
    steps: NDArray[np.float32]
    stalled_at: NDArray[np.int64]
    target_rpm: float


def longest_idling(log: Log) -> slice:
    """Find the longest stretch of idling, cut to what is compared."""
    found = stretches(idle_rows(log), log.parts)
    length = [log.time_s[rows.stop - 1] - log.time_s[rows.start] for rows in found]
    if not found or max(length) < SHORTEST_s:
        raise InputError(
            [Problem(log.file, 1, "rpm", f"no idling of {SHORTEST_s:g} s or more found, allowed: a"
                     " minute or more with the throttle shut and feedback on")]
        )  # fmt: skip
    rows = found[int(np.argmax(length))]
    past = int(np.searchsorted(log.time_s[: rows.stop], log.time_s[rows.start] + LONGEST_s))
    return slice(rows.start, max(min(rows.stop, past), rows.start + 2))


def switched_loads(log: Log, rows: slice) -> Loads:
    """Find the loads within a stretch."""
    begin_s, end_s = float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1])
    if log.load_W is not None:
        watts = log.load_W[rows] - float(np.min(log.load_W))
        at = np.flatnonzero(np.diff(watts) != 0.0) + 1
        first = [(0.0, float(watts[0]))] if watts[0] > 0.0 else []
        changes = [(float(log.time_s[rows][i] - begin_s), float(watts[i])) for i in at]
        return [*first, *changes]
    events = []
    for on_s, off_s in unrecorded_loads(log):
        events += [(on_s - begin_s, UNKNOWN_LOAD_W), (off_s - begin_s, 0.0)]
    return [(at_s, watts) for at_s, watts in events if 0.0 < at_s < end_s - begin_s]


def windows_of(log: Log, rows: slice, loads: Loads) -> Windows:
    """Choose what is measured: calm idling, and each load."""
    begin_s, end_s = float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1])
    windows: Windows = []
    for calm in undisturbed(log):
        first = max(float(log.time_s[calm.start]), begin_s + SETTLING_s) - begin_s
        last = min(float(log.time_s[calm.stop - 1]), end_s) - begin_s
        if last - first >= 10.0:
            windows.append(("hunting", first, last))
    length = end_s - begin_s
    for at_s, _ in loads:
        if SETTLING_s < at_s < length - 5.0:
            later = [other for other, _ in loads if other > at_s + 0.5]
            past = min([at_s + LOAD_WINDOW_s, length, *later])
            windows.append(("load", at_s, past))
    return windows or [("hunting", SETTLING_s, length)]


def _scenario(log: Log, rows: slice, loads: Loads) -> Scenario:
    length = float(log.time_s[rows.stop - 1] - log.time_s[rows.start])
    coolant = WARM_degC if log.coolant_degC is None else float(np.median(log.coolant_degC[rows]))
    return Scenario.model_validate(
        {
            "name": "as recorded",
            "duration_s": max(length, 1.0),
            "coolant_degC": float(np.clip(coolant, -40.0, 130.0)),
            "event": [{"at_s": t, "set": "electrical_W", "to": w} for t, w in loads],
        }
    )


def predict_runs(car: Car, log: Log, rows: slice, loads: Loads, seed: int) -> Predicted:
    """Run plausible cars as the log was recorded."""
    from tuning.ensemble import VERDICT, noise_seeds, plausible_cars, starting_phases

    cars = plausible_cars(car, CARS, seed=seed, purpose=VERDICT).cars
    fleet = make_fleet(cars, [_scenario(log, rows, loads)])
    plan = full_plan(fleet, settings_table([car]), seeds=noise_seeds(seed, VERDICT, SEEDS))
    # Whether an engine hunts depends on where it starts, and on where positions lie.
    errors, _ = starting_phases(SEEDS, CARS)
    plan = plan._replace(base_error_steps=errors[plan.car, np.arange(plan.car.size) % SEEDS])
    chunks: list[tuple[int, NDArray[np.float32], NDArray[np.float32], Floats]] = []

    def keep(
        which: NDArray[np.int64], rpm: NDArray[np.float32], steps: NDArray[np.float32],
        counters: Floats,
    ) -> None:  # fmt: skip
        chunks.append((int(which[0]), rpm.copy(), steps.copy(), counters.copy()))

    run_plan(fleet, plan, keep, cores=1)
    chunks.sort(key=lambda chunk: chunk[0])
    rpm, steps = (np.concatenate([chunk[place] for chunk in chunks]) for place in (1, 2))
    counters = np.concatenate([chunk[3] for chunk in chunks])
    stalled_s = counters[:, STALLED]
    stalled_at = np.where(np.isfinite(stalled_s), np.nan_to_num(stalled_s) / SAMPLE_s, -1.0)
    target_rpm = float(np.median(counters[:, TARGET]))
    return Predicted(rpm, steps, np.floor(stalled_at).astype(np.int64), target_rpm)
