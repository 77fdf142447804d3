"""Cold starts of modelled cars in a batch: several chances at each temperature, the worst kept."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from sim import Car, Scenario

STABLE_rpm = 100.0
"""A start is stable once speed stays this near to target: no feedback has trimmed it yet [rpm]."""
CRANK_s, LET_GO_s, LENGTH_s = 2.0, 22.0, 62.0
"""Key to crank, key back if it has not run, end of the run [s]."""


@dataclass(frozen=True)
class StartResult:
    """Starts at one temperature: the worst of several.

    Attributes
    ----------
    coolant_degC : float
        Engine and air at the start [degC].
    target_rpm : float
        Idle speed wanted at that temperature [rpm].
    runs : bool
        Whether each start led to an engine that goes on running.
    run_s : float
        From the key to running by itself, the longest; nan if none ran [s].
    flare_rpm : float
        Highest above target [rpm].
    lowest_rpm : float
        Lowest once the target was reached; 0 if one did not run [rpm].
    stable_s : float
        From the key to within 100 rpm of target for good, the longest [s].
    """

    coolant_degC: float
    target_rpm: float
    runs: bool
    run_s: float
    flare_rpm: float
    lowest_rpm: float
    stable_s: float

    def to_dict(self) -> dict[str, Any]:
        """Give the result as plain values, None for what is not known.

        Returns
        -------
        dict
            The attributes.
        """
        return {
            key: None if isinstance(value, float) and math.isnan(value) else value
            for key, value in asdict(self).items()
        }

    def told(self) -> str:
        """Tell the result in a few words.

        Returns
        -------
        str
            Such as "runs after 1.2 s, flare 420 rpm, lowest 870 rpm, stable after 14 s".
        """
        if not self.runs:
            return "does not keep running"
        settled = f"stable after {self.stable_s:.0f} s"
        if self.stable_s > LENGTH_s - CRANK_s - 1.5:
            settled = "not stable within a minute"
        return (
            f"runs after {self.run_s:.1f} s, flare {self.flare_rpm:.0f} rpm, lowest"
            f" {self.lowest_rpm:.0f} rpm, {settled}"
        )


def start_scenario(coolant_degC: float) -> Scenario:
    """Make the scenario of one start: key on, homing, crank, a minute of running.

    Parameters
    ----------
    coolant_degC : float
        Engine and air at the start [degC].

    Returns
    -------
    Scenario
        With a start window.
    """
    from sim import Scenario

    return Scenario.model_validate(
        {
            "name": f"start at {coolant_degC:g} degC",
            "start": "key_on",
            "duration_s": LENGTH_s,
            "coolant_degC": coolant_degC,
            "ambient_degC": coolant_degC,
            "measure": [{"what": "start", "from_s": CRANK_s, "to_s": LENGTH_s}],
            "event": [
                {"at_s": CRANK_s, "set": "key", "to": "crank"},
                {"at_s": LET_GO_s, "set": "key", "to": "on"},
            ],
        }
    )


def start_results(
    cars: Sequence[Car], coolant_degC: Sequence[float], seeds: Sequence[int]
) -> list[tuple[StartResult, ...]]:
    """Start each car at each temperature several times, on its curves alone.

    Parameters
    ----------
    cars : sequence of Car
        The cars; their feedback is switched off.
    coolant_degC : sequence of float
        Temperatures [degC].
    seeds : sequence of int
        One start each.

    Returns
    -------
    list of tuple of StartResult
        One tuple a car, one result a temperature.
    """
    from sim import COUNTERS, full_plan, make_fleet, run_plan, settings_table, with_values
    from tuning.measures import COLUMN, measure_runs

    plain = [with_values(car, {"feedback": {"law": "none"}}) for car in cars]
    scenarios = [start_scenario(degC) for degC in coolant_degC]
    fleet = make_fleet(plain, scenarios)
    plan = full_plan(fleet, settings_table(plain), seeds=seeds, pair_settings_with_cars=True)
    places, each = len(scenarios), len(seeds)
    targets = np.array([[_target(car, degC) for degC in coolant_degC] for car in plain])
    window = [("start", CRANK_s, LENGTH_s)]
    wanted = [COLUMN[n] for n in ("start_flare_rpm", "start_lowest_rpm", "start_stable_s")]
    kept = np.empty((len(plan.car), 5))

    def keep(rows: Any, rpm: Any, steps: Any, counters: Any) -> None:
        stalled = counters[:, COUNTERS.index("stalled_s")]
        at = np.where(np.isfinite(stalled), np.nan_to_num(stalled) / 0.05, -1).astype(int)
        here = targets[plan.car[rows], plan.scenario[rows]]
        kept[rows, :3] = measure_runs(rpm, steps, window, here, at, STABLE_rpm)[:, wanted]
        kept[rows, 3] = counters[:, COUNTERS.index("started_s")] - CRANK_s
        kept[rows, 4] = np.isnan(stalled)

    run_plan(fleet, plan, keep)
    table = kept.reshape(len(plain), places, each, 5)
    return [
        tuple(
            _worst(degC, targets[car, place], table[car, place])
            for place, degC in enumerate(coolant_degC)
        )
        for car in range(len(plain))
    ]


def _target(car: Car, coolant_degC: float) -> float:
    points = np.asarray(car.curves.target_rpm)
    return float(np.interp(coolant_degC, points[:, 0], points[:, 1]))


def _worst(coolant_degC: float, target_rpm: float, starts: Any) -> StartResult:
    flare, lowest, stable, run_s, lasts = starts.T
    runs = bool(np.all(lasts > 0.5) and np.isfinite(run_s).all())
    slowest = float(np.nanmax(run_s)) if np.isfinite(run_s).any() else math.nan
    return StartResult(
        float(coolant_degC), float(target_rpm), runs, slowest,
        float(np.nanmax(np.append(flare, 0.0))),
        float(np.nanmin(np.append(lowest, np.inf))) if runs else 0.0,
        float(np.nanmax(stable)),
    )  # fmt: skip
