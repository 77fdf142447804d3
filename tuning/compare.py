"""After the try on the car: what was predicted beside what was recorded, and what differs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim import Car, InputError, Problem, Scenario, full_plan, make_fleet, run_plan, settings_table
from tuning._diagnose_swing import undisturbed
from tuning._fit_loads import unrecorded_loads
from tuning._log_states import idle_rows, stretches, with_rising_time
from tuning.logs import Log
from tuning.measures import Measures, measure, measure_runs, resample_hold

Floats = NDArray[np.float64]
Windows = list[tuple[str, float, float]]

CARS, SEEDS = 12, 5
"""Plausible cars, and runs of each."""
LONGEST_s, SHORTEST_s = 240.0, 20.0
"""Stretch of the log that is compared [s]."""
SETTLING_s = 5.0
LOAD_WINDOW_s = 15.0
PHASES_steps = (-2.5, -1.25, 0.0, 1.25, 2.5)
"""Whether an engine hunts depends on where it starts; all starts nearby are run [steps]."""
UNKNOWN_LOAD_W = 100.0
LOW, HIGH = 10.0, 90.0
"""Percentiles of the runs that make the predicted range."""
WIDENED = 0.25
"""The range is widened by this share of its own middle, for what no model has [-]."""


@dataclass(frozen=True)
class Asked:
    """One measure that is compared.

    Attributes
    ----------
    name : str
        As in the measures.
    meaning, unit : str
        In words, and its unit.
    slack : float
        Differences below this do not matter [unit].
    if_more, if_less : str
        What it hints at where the record is above, below the prediction.
    """

    name: str
    meaning: str
    unit: str
    slack: float
    if_more: str
    if_less: str


ASKED = (
    Asked("hunting_rpm", "swing at idle, peak to peak", "rpm", 8.0,
          "a step is worth more than the model has, or something beside the valve swings",
          "calmer than expected"),
    Asked("scatter_rms_rpm", "variation of speed, rms", "rpm", 4.0,
          "speed varies more: hunting, or firing less even than the model's",
          "speed varies less than expected"),
    Asked("mean_error_rpm", "target less mean speed", "rpm", 15.0,
          "the engine is short of air: base curve, or feedback at its limit",
          "the engine has too much air: base curve, throttle stop or a leak"),
    Asked("lowest_rpm", "lowest speed", "rpm", 40.0,
          "it dips less than expected", "it dips deeper than expected"),
    Asked("dip_rpm", "dip after a load, mean", "rpm", 20.0,
          "loads are larger, or torque comes later than the model has",
          "loads are smaller than the model has"),
    Asked("settle_s", "settling after a load, mean", "s", 1.5,
          "feedback is slower on the car: are the settings entered as listed?",
          "it settles sooner than expected"),
    Asked("moves_per_min", "valve moves a minute", "1/min", 6.0,
          "scatter or hunting keeps the valve busy", "the valve rests more than expected"),
    Asked("mean_steps", "mean valve position", "steps", 2.0,
          "the car needs more steps: steps lost, a pinched hose, or more friction",
          "the car needs fewer steps: a leak, or the throttle stop moved"),
)  # fmt: skip


@dataclass(frozen=True)
class Compared:
    """One measure, predicted and recorded.

    Attributes
    ----------
    name, meaning, unit : str
        As in ``Asked``.
    predicted : float
        Median of the runs [unit].
    low, high : float
        Range that eight of ten runs keep within [unit].
    recorded : float
        In the log [unit].
    agrees : bool
        Whether the record lies within the range, widened a little.
    hint : str
        What a difference points to; empty where it agrees.
    """

    name: str
    meaning: str
    unit: str
    predicted: float
    low: float
    high: float
    recorded: float
    agrees: bool
    hint: str

    def text(self) -> str:
        """Say it in words.

        Returns
        -------
        str
            One line.
        """
        line = (
            f"{self.meaning}: predicted {self.predicted:.3g} {self.unit} ({self.low:.3g} to"
            f" {self.high:.3g}), recorded {self.recorded:.3g}"
        )
        return line if self.agrees else f"{line}: differs. {self.hint}"


@dataclass(frozen=True, eq=False)
class Overlay:
    """Record and one predicted run on the same grid, for a figure.

    Attributes
    ----------
    time_s : ndarray
        Shape (n,): in the log's time [s].
    recorded_rpm, predicted_rpm : ndarray
        Shape (n,) [rpm].
    low_rpm, high_rpm : ndarray
        Shape (n,): percentiles 10 and 90 of all runs [rpm].
    recorded_steps, predicted_steps : ndarray
        Shape (n,); the record is empty where steps were not recorded [steps].
    """

    time_s: Floats
    recorded_rpm: Floats
    predicted_rpm: Floats
    low_rpm: Floats
    high_rpm: Floats
    recorded_steps: Floats
    predicted_steps: Floats


@dataclass(frozen=True, eq=False)
class Comparison:
    """Prediction and record side by side.

    Attributes
    ----------
    car, file : str
        Name of the car, and the log.
    rows : tuple of Compared
        Measures that both have.
    from_s, to_s : float
        Stretch of the log that was compared [s].
    windows : tuple
        Kinds and spans that were measured, in the log's time [-, s, s].
    overlay : Overlay
        For a figure.
    notes : tuple of str
        What to mind.
    """

    car: str
    file: str
    rows: tuple[Compared, ...]
    from_s: float
    to_s: float
    windows: tuple[tuple[str, float, float], ...]
    overlay: Overlay = field(repr=False)
    notes: tuple[str, ...] = ()

    @property
    def agrees(self) -> bool:
        """Whether every measure agrees."""
        return all(row.agrees for row in self.rows)

    def lines(self) -> list[str]:
        """The comparison in words.

        Returns
        -------
        list of str
            The verdict first.
        """
        different = [row.meaning for row in self.rows if not row.agrees]
        verdict = (
            "The car does what was predicted."
            if not different
            else "The car differs from the prediction in: " + ", ".join(different) + "."
        )
        return [verdict, *(row.text() for row in self.rows), *self.notes]

    def to_dict(self) -> dict[str, Any]:
        """Give the comparison as plain values, ready for JSON.

        Returns
        -------
        dict
            Verdict and rows; no curves.
        """
        return {
            "car": self.car,
            "file": self.file,
            "agrees": self.agrees,
            "rows": [asdict(row) for row in self.rows],
            "from_s": self.from_s,
            "to_s": self.to_s,
            "windows": [list(window) for window in self.windows],
            "notes": list(self.notes),
        }


def _stretch(log: Log) -> slice:
    """The longest stretch of idling, cut to what is compared."""
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


def _loads(log: Log, rows: slice) -> list[tuple[float, float]]:
    """Times within the stretch, from its beginning, and sizes of the load from then on."""
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


def _windows(log: Log, rows: slice, loads: list[tuple[float, float]]) -> Windows:
    """What is measured, from the stretch's beginning: calm idling, and each load."""
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


def _scenario(log: Log, rows: slice, loads: list[tuple[float, float]]) -> Scenario:
    length = float(log.time_s[rows.stop - 1] - log.time_s[rows.start])
    coolant = 90.0 if log.coolant_degC is None else float(np.median(log.coolant_degC[rows]))
    return Scenario.model_validate(
        {
            "name": "as recorded",
            "duration_s": max(length, 1.0),
            "coolant_degC": float(np.clip(coolant, -40.0, 130.0)),
            "event": [{"at_s": t, "set": "electrical_W", "to": w} for t, w in loads],
        }
    )


def _predict(car: Car, scenario: Scenario, seed: int) -> tuple[Floats, Floats, Floats, float]:
    """Samples of rpm and steps of all runs, when each stalls, and the target."""
    from tuning.plausible import VERDICT, noise_seeds, plausible_cars

    cars = plausible_cars(car, CARS, seed=seed, purpose=VERDICT).cars
    fleet = make_fleet(cars, [scenario])
    plan = full_plan(
        fleet, settings_table([car]), seeds=noise_seeds(seed, VERDICT, SEEDS),
        base_error_steps=PHASES_steps,
    )  # fmt: skip
    runs = len(plan.car)
    kept: dict[str, Any] = {}

    def keep(rows: Floats, rpm: Floats, steps: Floats, counters: Floats) -> None:
        if not kept:
            kept["rpm"] = np.zeros((runs, rpm.shape[1]), dtype=np.float32)
            kept["steps"] = np.zeros_like(kept["rpm"])
            kept["stalled_s"] = np.zeros(runs)
            kept["target"] = np.zeros(runs)
        kept["rpm"][rows], kept["steps"][rows] = rpm, steps
        kept["stalled_s"][rows], kept["target"][rows] = counters[:, 5], counters[:, 6]

    run_plan(fleet, plan, keep, cores=1)
    return kept["rpm"], kept["steps"], kept["stalled_s"], float(np.median(kept["target"]))


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
    from tuning.measures import MEASURES

    log = with_rising_time(log)
    rows = _stretch(log)
    loads = _loads(log, rows)
    windows = _windows(log, rows, loads)
    begin_s = float(log.time_s[rows.start])
    rpm, steps, stalled_s, target = _predict(car, _scenario(log, rows, loads), seed)
    stalled = np.where(np.isnan(stalled_s), -1, np.floor(np.nan_to_num(stalled_s) / 0.05))
    table = measure_runs(rpm, steps, windows, target, stalled.astype(int))
    spans = [(kind, begin_s + first, begin_s + past) for kind, first, past in windows]
    recorded = measure(log, spans, target=_target(log, target))
    first = int(windows[0][1] / 0.05)
    columns = {one.name: table[:, i] for i, one in enumerate(MEASURES)}
    columns["mean_steps"] = np.mean(steps[:, first:], axis=1, dtype=np.float64)
    values = _recorded_values(log, rows, recorded, begin_s + windows[0][1])
    compared = tuple(
        row for row in (_row(one, columns[one.name], values.get(one.name)) for one in ASKED) if row
    )
    notes = []
    if np.any(stalled >= 0):
        share = float(np.mean(stalled >= 0))
        notes.append(f"{100.0 * share:.0f} % of the predicted runs stall under these loads")
    if log.load_W is None and loads:
        notes.append("loads were not recorded: their times were found, their size is guessed")
    return Comparison(
        car.name, log.file, compared, begin_s, float(log.time_s[rows.stop - 1]), tuple(spans),
        _overlay(log, rows, rpm, steps), tuple(notes),
    )  # fmt: skip


def _target(log: Log, predicted_rpm: float) -> float | None:
    """None lets the log's own target count."""
    return None if log.target_rpm is not None else predicted_rpm


def _recorded_values(log: Log, rows: slice, recorded: Measures, from_s: float) -> dict[str, float]:
    values = {name: value for name, value in recorded.to_dict().items() if value is not None}
    if log.valve_steps is None:
        values.pop("moves_per_min", None)
        return values
    late = log.time_s[rows] >= from_s
    values["mean_steps"] = float(np.mean(log.valve_steps[rows][late]))
    return values


def _row(asked: Asked, runs: Floats, recorded: float | None) -> Compared | None:
    """One measure; None where either side has nothing to say."""
    known = runs[np.isfinite(runs)]
    if recorded is None or known.size < max(3, runs.size // 2):
        return None
    low, middle, high = (float(v) for v in np.percentile(known, [LOW, 50.0, HIGH]))
    slack = max(asked.slack, WIDENED * abs(middle))
    agrees = low - slack <= recorded <= high + slack
    hint = "" if agrees else (asked.if_more if recorded > middle else asked.if_less)
    return Compared(
        asked.name, asked.meaning, asked.unit, middle, low, high, recorded, agrees, hint
    )


def _overlay(log: Log, rows: slice, rpm: Floats, steps: Floats) -> Overlay:
    time_s = log.time_s[rows]
    recorded = resample_hold(time_s, log.rpm[rows]).astype(float)
    count = min(recorded.size, rpm.shape[1])
    valve = np.zeros(0)
    if log.valve_steps is not None:
        valve = resample_hold(time_s, log.valve_steps[rows]).astype(float)[:count]
    low, high = np.percentile(rpm[:, :count], [LOW, HIGH], axis=0)
    return Overlay(
        time_s=time_s[0] + 0.05 * (np.arange(count) + 1.0),
        recorded_rpm=recorded[:count],
        predicted_rpm=rpm[0, :count].astype(float),
        low_rpm=low,
        high_rpm=high,
        recorded_steps=valve,
        predicted_steps=steps[0, :count].astype(float),
    )


def predicted_and_recorded(rows: Sequence[Compared]) -> list[list[str]]:
    """The comparison as cells of a table.

    Parameters
    ----------
    rows : sequence of Compared
        Of a comparison.

    Returns
    -------
    list of list of str
        Measure, predicted, range, recorded, verdict.
    """
    return [
        [
            row.meaning,
            f"{row.predicted:.3g} {row.unit}",
            f"{row.low:.3g} to {row.high:.3g}",
            f"{row.recorded:.3g}",
            "as predicted" if row.agrees else "differs",
        ]
        for row in rows
    ]


__all__ = ["ASKED", "Compared", "Comparison", "Overlay", "compare", "predicted_and_recorded"]
