"""What to expect of settings, in the measures that a log of the car shows too."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tuning.ensemble import ANSWER, HIGH, LOW, LOAD_SPAN_s, Runs
from tuning.measures import RULED_BY, HuntingChance, chance_over, hunts
from tuning.notes import Told

LOW_SHARE, HIGH_SHARE = 10.0, 90.0  # Ranges are told between these shares of the runs [%].


@dataclass(frozen=True)
class Prediction(Told):
    """What to expect of settings, over plausible cars, seeds and starting phases.

    Attributes
    ----------
    hunting, ranges : HuntingChance, dict
    """

    hunting_rpm: float
    hunting_period_s: float  # its period where it hunts, median; nan where no run does
    worst_dip_rpm: float  # deepest dip after a load, mean over seeds, on the car where that is deepest
    settle_s: float
    moves_per_min: float
    stall_share: float
    not_back_share: float  # share of the loads, coming and going, from which it does not come back
    hunting_share: float  # share of runs whose warm idle hunts, by the rule of ``measures.hunts``
    hunting: HuntingChance  # what may be said by the same runs
    floor_rpm: float
    above_floor_share: float  # how far hunting exceeds that floor, as a share of it; 0 where it does not
    mean_error_rpm: float  # mean size at idle
    excursion_rpm: float  # larger of dip and flare after a load, mean
    undershoot_rpm: float  # after a blip, mean
    lowest_rpm: float  # in any run
    ranges: Mapping[str, tuple[float, float]]  # 10 % and 90 % points over runs, by the names of the others


_RANGED = (
    "hunting_rpm", "worst_dip_rpm", "settle_s", "moves_per_min", "excursion_rpm", "blip_undershoot_rpm",
    "lowest_rpm",
)  # fmt: skip
AT_REST = ("hunting_rpm", "moves_per_min", "mean_error_rpm")
ANSWERED = ("worst_dip_rpm", "settle_s", "excursion_rpm", "blip_undershoot_rpm", "lowest_rpm")
"""Measures taken at rest, and at loads and after a blip."""


def _mean(values: np.ndarray) -> float:
    known = values[~np.isnan(values)]
    return float(known.mean()) if known.size else math.nan


def predict(runs: Runs, candidate: int) -> Prediction:
    """Sum up what one candidate did warm, at rest and answering; stalls on all drives.

    Parameters
    ----------
    runs, candidate : Runs, int

    Returns
    -------
    Prediction
    """
    rest = {name: runs.of(name)[candidate][:, [HIGH, LOW]] for name in (*AT_REST, *RULED_BY)}
    answer = {name: runs.of(name)[candidate, :, ANSWER] for name in ANSWERED}
    warm = rest | answer
    hunting, floor = rest["hunting_rpm"], runs.floor
    hunting_runs = hunts(rest.__getitem__, floor[:, None, None])
    periods = runs.of("hunting_period_s")[candidate][:, [HIGH, LOW]][hunting_runs]
    lowest = runs.of("lowest_rpm")[candidate]
    ran = np.isfinite(lowest)
    ranges = {
        name.removeprefix("blip_"): tuple(np.nanpercentile(warm[name], [LOW_SHARE, HIGH_SHARE]).tolist())
        for name in _RANGED
        if not np.isnan(warm[name]).all()
    }
    return Prediction(
        hunting_rpm=_mean(hunting),
        hunting_period_s=float(np.median(periods)) if periods.size else math.nan,
        worst_dip_rpm=max(_mean(one) for one in answer["worst_dip_rpm"]),
        settle_s=_mean(answer["settle_s"]), moves_per_min=_mean(rest["moves_per_min"]),
        stall_share=float(runs.stalled[candidate][ran].mean()),
        not_back_share=float((runs.answers[candidate][:, :, 1] >= LOAD_SPAN_s - 1e-9).mean()),
        hunting_share=float(hunting_runs.mean()),
        hunting=chance_over(rest.__getitem__, floor[:, None, None]), floor_rpm=float(floor.mean()),
        above_floor_share=max(0.0, _mean(hunting) / max(float(floor.mean()), 1e-9) - 1.0),
        mean_error_rpm=_mean(np.abs(rest["mean_error_rpm"])), excursion_rpm=_mean(answer["excursion_rpm"]),
        undershoot_rpm=_mean(answer["blip_undershoot_rpm"]), lowest_rpm=float(np.nanmin(lowest)),
        ranges=ranges,
    )  # fmt: skip
