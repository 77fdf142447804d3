"""After the try on the car: what was predicted beside what was recorded, and what differs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sim import Car, SAMPLE_s
from tuning.log_events import mended
from tuning.logs import Log
from tuning.measures import MEASURES, Measures, measure, measure_runs, resample_hold
from tuning.notes import Note
from tuning.prediction.compare_runs import Predicted, longest_idling, predict_runs, switched_loads, windows_of
from tuning.prediction.result import ASKED, Comparison, Overlay, compared_measure, outer_parts

Floats = NDArray[np.float64]


def compare(car: Car, log: Log, *, seed: int = 0) -> Comparison:
    """Compare what a car file predicts with what was recorded on the car.

    The car's own feedback settings are run on cars as plausible as its file leaves them, under
    the temperature and loads of the log.

    Parameters
    ----------
    car : Car
        With the settings that were tried.
    log : Log
        Recorded on the try, feedback on.
    seed : int
        Seed of plausible cars and scatter, 0 or more.

    Returns
    -------
    Comparison
        Measures side by side, and what differs.

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
    notes = []
    if (stalling := float(np.mean(runs.stalled_at >= 0))) > 0.0:
        notes.append(Note("prediction.runs_stall", stalling_percent=100.0 * stalling))
    if log.load_W is None and loads:
        notes.append(Note("prediction.loads_guessed"))
    return Comparison(
        car=car.name,
        file=log.file,
        rows=tuple(row for row in compared if row is not None),
        from_s=begin_s,
        to_s=float(log.time_s[rows.stop - 1]),
        windows=spans,
        overlay=_overlay(log, rows, runs),
        notes=tuple(notes),
    )


def _predicted_values(
    runs: Predicted, windows: list[tuple[str, float, float]], from_s: float
) -> dict[str, Floats]:
    """Measures of all runs by name, the mean position among them."""
    table = measure_runs(runs.rpm, runs.steps, windows, runs.target_rpm, runs.stalled_at)
    columns = {one.name: table[:, place] for place, one in enumerate(MEASURES)}
    late = runs.steps[:, int(from_s / SAMPLE_s) :]
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
        time_s=time_s[0] + SAMPLE_s * (np.arange(count) + 1.0),
        recorded_rpm=recorded[:count],
        predicted_rpm=runs.rpm[0, :count].astype(float),
        low_rpm=low,
        high_rpm=high,
        recorded_steps=valve,
        predicted_steps=runs.steps[0, :count].astype(float),
    )
