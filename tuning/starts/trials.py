"""Cold starts of modelled cars in a batch: several chances at each temperature, the worst kept."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers import curve_at
from sim import Car, SAMPLE_s, Scenario, with_values
from tuning.measures import COLUMN, SMOOTHED_s, START_TOLERANCE_rpm, measure_runs, whole_samples
from tuning.notes import Note, Told

STARTS_degC = (-20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0)
"""Engine and air at the starts that are tried [degC]."""
STABLE_s = 20.0  # From the key, a start should be stable by then; common practice, no source [s].
CRANK_s, LET_GO_s, LENGTH_s = 2.0, 22.0, 62.0  # Key to crank, key back if it has not run, end of the run [s].


@dataclass(frozen=True)
class StartResult(Told):
    """Starts at one temperature: the worst of several."""

    coolant_degC: float
    target_rpm: float
    runs: bool  # whether each start led to an engine that goes on running
    run_s: float  # from the key to running by itself, the longest; nan if none ran
    flare_rpm: float
    lowest_rpm: float  # once at the target, less what that has moved since; 0 if one did not run
    stable_s: float  # from the key until speed stays within 100 rpm of the target of the moment, the longest
    late_rpm: float  # farthest from that target, smoothed over half a second, once it should be stable

    @property
    def dip_rpm(self) -> float:
        """Lowest below target once it was reached, at least 0 [rpm]."""
        return max(0.0, self.target_rpm - self.lowest_rpm)

    def told(self) -> Note:
        """When it runs, its flare, lowest speed and when it is stable."""
        if not self.runs:
            return Note("starts.result.stalls")
        return Note(
            "starts.result", run_s=self.run_s, flare_rpm=self.flare_rpm,
            lowest_rpm=self.lowest_rpm, within_rpm=START_TOLERANCE_rpm, stable_s=self.stable_s,
            stays=self.stable_s <= LENGTH_s - CRANK_s - 1.5,
        )  # fmt: skip


def start_scenario(coolant_degC: float, length_s: float = LENGTH_s) -> Scenario:
    """Make the scenario of one start: key on, homing, crank, a minute of running."""
    return Scenario.model_validate(
        {
            "name": f"start at {coolant_degC:g} degC",
            "start": "key_on",
            "duration_s": length_s,
            "coolant_degC": coolant_degC,
            "ambient_degC": coolant_degC,
            "measure": [{"what": "start", "from_s": CRANK_s, "to_s": min(length_s, LENGTH_s)}],
            "event": [
                {"at_s": CRANK_s, "set": "key", "to": "crank"},
                {"at_s": LET_GO_s, "set": "key", "to": "on"},
            ],
        }
    )


def start_results(
    cars: Sequence[Car], coolant_degC: Sequence[float], seeds: Sequence[int], stable_s: float = STABLE_s,
    moves: Sequence[NDArray[np.float32]] | None = None,
) -> list[tuple[StartResult, ...]]:  # fmt: skip
    """Start each car at each temperature several times, on its curves alone: feedback is switched off.

    Parameters
    ----------
    cars, coolant_degC : sequence of Car, sequence of float
        One car with several curves; engine and air at the starts [degC].
    seeds, stable_s : sequence of int, float
        One start each; from the key, when speed should be stable [s].
    moves : sequence of ndarray, optional
        From ``target_moves``, for the same temperatures; of the first car when left out.

    Returns
    -------
    list of tuple of StartResult
        One tuple a car, one result a temperature.
    """
    from sim import COUNTERS, full_plan, make_fleet, run_plan, settings_table

    plain = [with_values(car, {"feedback": {"law": "none"}}) for car in cars]
    scenarios = [start_scenario(degC) for degC in coolant_degC]
    fleet = make_fleet(plain, scenarios)
    plan = full_plan(fleet, settings_table(plain), seeds=seeds, pair_settings_with_cars=True)
    places, each = len(scenarios), len(seeds)
    targets = np.array([[curve_at(car.curves.target_rpm, degC) for degC in coolant_degC] for car in plain])
    moved = np.asarray(target_moves(plain[0], coolant_degC) if moves is None else moves)
    window = [("start", CRANK_s, LENGTH_s)]
    wanted = [COLUMN[n] for n in ("start_flare_rpm", "start_lowest_rpm", "start_stable_s")]
    kept = np.empty((len(plan.car), 6))

    def keep(rows: Any, rpm: Any, steps: Any, counters: Any) -> None:
        stalled = counters[:, COUNTERS.index("stalled_s")]
        at = np.where(np.isfinite(stalled), np.nan_to_num(stalled) / 0.05, -1).astype(int)
        here = targets[plan.car[rows], plan.scenario[rows]]
        beside = rpm - moved[plan.scenario[rows], : rpm.shape[1]]
        kept[rows, :3] = measure_runs(beside, steps, window, here, at)[:, wanted]
        kept[rows, 3] = counters[:, COUNTERS.index("started_s")] - CRANK_s
        kept[rows, 4] = np.isnan(stalled)
        kept[rows, 5] = _strays(beside - here[:, None], stable_s)

    run_plan(fleet, plan, keep)
    table = kept.reshape(len(plain), places, each, 6)
    return [
        tuple(_worst(degC, targets[car, place], table[car, place]) for place, degC in enumerate(coolant_degC))
        for car in range(len(plain))
    ]


def _strays(error_rpm: NDArray[np.float32], stable_s: float) -> NDArray[np.float64]:
    """Farthest that smoothed speed is from target from some time after the key on [rpm]."""
    count = 2 * whole_samples(0.5 * SMOOTHED_s, SAMPLE_s) + 1
    late = error_rpm[:, round((CRANK_s + stable_s) / SAMPLE_s) :].astype(np.float64)
    sums = np.cumsum(np.pad(late, ((0, 0), (1, 0))), axis=1)
    smooth = (sums[:, count:] - sums[:, :-count]) / count
    return np.asarray(np.max(np.abs(smooth), axis=1))


def target_moves(car: Car, coolant_degC: Sequence[float]) -> list[NDArray[np.float32]]:
    """How far the target moves while the engine warms up: target less that at the key [rpm].

    One narrated start each; it hardly depends on the curves as long as the engine runs: one serves many.

    Parameters
    ----------
    car, coolant_degC : Car, sequence of float
        A car that starts on its curves [degC].

    Returns
    -------
    list of ndarray
        One a temperature, a sample each ``SAMPLE_s``.
    """
    from sim import simulate

    cranked = round(CRANK_s / SAMPLE_s)
    found = []
    for temperature_degC in coolant_degC:
        scenario = start_scenario(temperature_degC)
        target = simulate(car, scenario).resampled("target_rpm", SAMPLE_s)
        found.append(np.asarray(target - target[cranked], dtype=np.float32))
    return found


def _worst(coolant_degC: float, target_rpm: float, starts: Any) -> StartResult:
    flare, lowest, stable, run_s, lasts, late = starts.T
    runs = bool(np.all(lasts > 0.5) and np.isfinite(run_s).all())
    slowest = float(np.nanmax(run_s)) if np.isfinite(run_s).any() else math.nan
    return StartResult(
        float(coolant_degC), float(target_rpm), runs, slowest, float(np.nanmax(np.append(flare, 0.0))),
        float(np.nanmin(np.append(lowest, np.inf))) if runs else 0.0, float(np.nanmax(stable)),
        float(np.max(late)),
    )  # fmt: skip
