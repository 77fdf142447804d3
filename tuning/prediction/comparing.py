"""After the try on the car: what was predicted beside what was recorded, and what differs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import sim
from tuning.log_events import idle_rows, mended, read_swing, stretches, undisturbed, unrecorded_loads
from tuning.logs import Log
from tuning.measures import HUNTS, MEASURES, Measures, measure, measure_runs, resample_hold
from tuning.notes import Note
from tuning.prediction.result import ASKED, Comparison, Overlay, compared_measure, outer_parts

Floats = NDArray[np.float64]
Windows = list[tuple[str, float, float]]
Loads = list[tuple[float, float]]

CARS, SEEDS = 12, 5  # Plausible cars, and runs of each.
LONGEST_s, SHORTEST_s = 240.0, 20.0  # Stretch of the log that is compared [s].
SETTLING_s = 5.0
LOAD_WINDOW_s = 15.0
UNKNOWN_LOAD_W = 100.0
WARM_degC = 90.0
STALLED, TARGET = sim.COUNTERS.index("stalled_s"), sim.COUNTERS.index("target_rpm")


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
        raise sim.InputError(
            [sim.Problem(log.file, 1, "rpm", f"no idling of {SHORTEST_s:g} s or more found, allowed: a"
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


def _scenario(log: Log, rows: slice, loads: Loads) -> sim.Scenario:
    length = float(log.time_s[rows.stop - 1] - log.time_s[rows.start])
    coolant = WARM_degC if log.coolant_degC is None else float(np.median(log.coolant_degC[rows]))
    return sim.Scenario.model_validate(
        {
            "name": "as recorded",
            "duration_s": max(length, 1.0),
            "coolant_degC": float(np.clip(coolant, -40.0, 130.0)),
            "event": [{"at_s": t, "set": "electrical_W", "to": w} for t, w in loads],
        }
    )


def predict_runs(car: sim.Car, log: Log, rows: slice, loads: Loads, seed: int) -> Predicted:
    """Run plausible cars as the log was recorded."""
    from tuning.ensemble import VERDICT, noise_seeds, plausible_cars, starting_phases

    cars = plausible_cars(car, CARS, seed=seed, purpose=VERDICT).cars
    fleet = sim.make_fleet(cars, [_scenario(log, rows, loads)])
    plan = sim.full_plan(fleet, sim.settings_table([car]), seeds=noise_seeds(seed, VERDICT, SEEDS))
    # Whether an engine hunts depends on where it starts, and on where positions lie.
    errors, _ = starting_phases(SEEDS, CARS)
    plan = plan._replace(base_error_steps=errors[plan.car, np.arange(plan.car.size) % SEEDS])
    chunks: list[tuple[int, NDArray[np.float32], NDArray[np.float32], Floats]] = []

    def keep(
        which: NDArray[np.int64], rpm: NDArray[np.float32], steps: NDArray[np.float32],
        counters: Floats,
    ) -> None:  # fmt: skip
        chunks.append((int(which[0]), rpm.copy(), steps.copy(), counters.copy()))

    sim.run_plan(fleet, plan, keep, cores=1)
    chunks.sort(key=lambda chunk: chunk[0])
    rpm, steps = (np.concatenate([chunk[place] for chunk in chunks]) for place in (1, 2))
    counters = np.concatenate([chunk[3] for chunk in chunks])
    stalled_s = counters[:, STALLED]
    stalled_at = np.where(np.isfinite(stalled_s), np.nan_to_num(stalled_s) / sim.SAMPLE_s, -1.0)
    target_rpm = float(np.median(counters[:, TARGET]))
    return Predicted(rpm, steps, np.floor(stalled_at).astype(np.int64), target_rpm)


def compare(car: sim.Car, log: Log, *, seed: int = 0) -> Comparison:
    """Compare what a car file predicts with what was recorded on the car.

    The car's own feedback settings are run on cars as plausible as its file leaves them, under
    the temperature and loads of the log.

    Parameters
    ----------
    car, log, seed : Car, Log, int
        With the settings that were tried; recorded on the try, feedback on; seed of plausible cars and
        scatter, 0 or more.

    Returns
    -------
    Comparison: measures side by side, and what differs

    Raises
    ------
    InputError
        When the log has no idling long enough.
    """
    log = mended(log)
    rows = longest_idling(log)
    loads = switched_loads(log, rows)
    windows = windows_of(log, rows, loads)
    begin_s = float(log.time_s[rows.start])
    runs = predict_runs(car, log, rows, loads, seed)
    spans = tuple((kind, begin_s + first, begin_s + past) for kind, first, past in windows)
    # A log that has the target is held against its own.
    target = None if log.target_rpm is not None else runs.target_rpm
    recorded = measure(log, list(spans), target=target)
    first_s = windows[0][1]
    columns = _predicted_values(runs, windows, first_s)
    values = _recorded_values(log, rows, recorded, begin_s + first_s)
    compared = (compared_measure(one, columns[one.name], values.get(one.name)) for one in ASKED)
    swing, notes = read_swing(log), []
    if (stalling := float(np.mean(runs.stalled_at >= 0))) > 0.0:
        notes.append(Note("prediction.runs_stall", stalling_percent=100.0 * stalling))
    if log.load_W is None and loads:
        notes.append(Note("prediction.loads_guessed"))
    return Comparison(
        car=car.name, file=log.file, rows=tuple(row for row in compared if row is not None), from_s=begin_s,
        to_s=float(log.time_s[rows.stop - 1]), windows=spans, overlay=_overlay(log, rows, runs),
        hunts_rpm=swing.measures.hunting_rpm if swing is not None and swing.answer == HUNTS else 0.0,
        notes=tuple(notes),
    )  # fmt: skip


def _predicted_values(
    runs: Predicted, windows: list[tuple[str, float, float]], from_s: float
) -> dict[str, Floats]:
    """Measures of all runs by name, the mean position among them."""
    table = measure_runs(runs.rpm, runs.steps, windows, runs.target_rpm, runs.stalled_at)
    columns = {one.name: table[:, place] for place, one in enumerate(MEASURES)}
    late = runs.steps[:, int(from_s / sim.SAMPLE_s) :]
    return columns | {"mean_steps": np.mean(late, axis=1, dtype=np.float64)}


def _recorded_values(log: Log, rows: slice, recorded: Measures, from_s: float) -> dict[str, float]:
    values = {name: value for name, value in recorded.to_dict().items() if value is not None}
    if log.valve_steps is None:
        values.pop("moves_per_min", None)
        return values
    late = log.time_s[rows] >= from_s
    return values | {"mean_steps": float(np.mean(log.valve_steps[rows][late]))}


def _overlay(log: Log, rows: slice, runs: Predicted) -> Overlay:
    time_s = log.time_s[rows]
    recorded = resample_hold(time_s, log.rpm[rows]).astype(float)
    count = min(recorded.size, runs.rpm.shape[1])
    valve = np.zeros(0)
    if log.valve_steps is not None:
        valve = resample_hold(time_s, log.valve_steps[rows]).astype(float)[:count]
    low, high = outer_parts(runs.rpm[:, :count])
    return Overlay(
        time_s=time_s[0] + sim.SAMPLE_s * (np.arange(count) + 1.0), recorded_rpm=recorded[:count],
        predicted_rpm=runs.rpm[0, :count].astype(float), low_rpm=low, high_rpm=high, recorded_steps=valve,
        predicted_steps=runs.steps[0, :count].astype(float),
    )  # fmt: skip
