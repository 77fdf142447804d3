"""What a search for settings comes back with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from controllers import Feedback
from sim import Car
from tuning.ensemble import Runs, Samples
from tuning.measures import hunts
from tuning.search.objective import Score
from tuning.search.pareto import Front, settings_dict
from tuning.search.plateau import Plateau
from tuning.search.weights import Weights

LOW_SHARE, HIGH_SHARE = 10.0, 90.0
"""Ranges are told between these shares of the runs [%]."""


@dataclass(frozen=True)
class Prediction:
    """What to expect of settings, over plausible cars, seeds and starting phases.

    Attributes
    ----------
    hunting_rpm : float
        Swing of warm idle, peak to peak, mean [rpm].
    hunting_period_s : float
        Its period where it hunts, median; nan where no run does [s].
    worst_dip_rpm : float
        Deepest dip after a load, mean over seeds, on the car where that is deepest [rpm].
    settle_s : float
        Settling after a load, mean [s].
    moves_per_min : float
        Moves of the valve a minute, mean [1/min].
    stall_share : float
        Share of runs that stall [-].
    hunting_share : float
        Share of runs whose warm idle hunts, by the rule of ``measures.is_hunting`` [-].
    floor_rpm : float
        Swing with the valve held, mean [rpm].
    above_floor_share : float
        How far hunting exceeds that floor, as a share of it; 0 where it does not [-].
    mean_error_rpm, excursion_rpm, undershoot_rpm, lowest_rpm : float
        Size of the mean error at idle; larger of dip and flare after a load, mean; undershoot
        after a blip, mean; lowest speed in any run [rpm].
    ranges : dict
        Names of the above to their 10 % and 90 % points over runs.
    """

    hunting_rpm: float
    hunting_period_s: float
    worst_dip_rpm: float
    settle_s: float
    moves_per_min: float
    stall_share: float
    hunting_share: float
    floor_rpm: float
    above_floor_share: float
    mean_error_rpm: float
    excursion_rpm: float
    undershoot_rpm: float
    lowest_rpm: float
    ranges: Mapping[str, tuple[float, float]]

    def to_dict(self) -> dict[str, Any]:
        """Give it as plain values.

        Returns
        -------
        dict
            Fields by name; None where there is nothing to tell.
        """
        plain = {k: _number(v) for k, v in asdict(self).items() if k != "ranges"}
        ranges = {name: [_number(low), _number(high)] for name, (low, high) in self.ranges.items()}
        return plain | {"ranges": ranges}


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


_RANGED = {
    "hunting_rpm": "hunting_rpm",
    "worst_dip_rpm": "worst_dip_rpm",
    "settle_s": "settle_s",
    "moves_per_min": "moves_per_min",
    "excursion_rpm": "excursion_rpm",
    "undershoot_rpm": "blip_undershoot_rpm",
    "lowest_rpm": "lowest_rpm",
}


def _mean(values: np.ndarray) -> float:
    known = values[~np.isnan(values)]
    return float(known.mean()) if known.size else math.nan


def predict(runs: Runs, candidate: int) -> Prediction:
    """Sum up what one candidate did, on the warm drive; stalls and lowest speed on all drives.

    Parameters
    ----------
    runs : Runs
        Candidates on cars; the first drive is the warm one.
    candidate : int
        Which candidate [-].

    Returns
    -------
    Prediction
        The summary.
    """
    names = {*_RANGED.values(), "regularity", "repeat_share"}
    warm = {name: runs.of(name)[candidate, :, 0, :] for name in names}
    hunting, floor = warm["hunting_rpm"], runs.floor[:, 0]
    hunting_runs = hunts(hunting, warm["regularity"], warm["repeat_share"], floor[:, None])
    periods = runs.of("hunting_period_s")[candidate, :, 0, :][hunting_runs]
    by_car = np.array([_mean(one) for one in hunting])
    lowest = runs.of("lowest_rpm")[candidate]
    ranges = {
        name: tuple(np.nanpercentile(warm[measure], [LOW_SHARE, HIGH_SHARE]).tolist())
        for name, measure in _RANGED.items()
        if not np.isnan(warm[measure]).all()
    }
    return Prediction(
        hunting_rpm=_mean(hunting),
        hunting_period_s=float(np.median(periods)) if periods.size else math.nan,
        worst_dip_rpm=max(_mean(one) for one in warm["worst_dip_rpm"]),
        settle_s=_mean(warm["settle_s"]),
        moves_per_min=_mean(warm["moves_per_min"]),
        stall_share=float(runs.of("stalled")[candidate].mean()),
        hunting_share=float(hunting_runs.mean()),
        floor_rpm=float(floor.mean()),
        above_floor_share=max(0.0, _mean(by_car) / max(float(floor.mean()), 1e-9) - 1.0),
        mean_error_rpm=_mean(np.abs(runs.of("mean_error_rpm")[candidate, :, 0, :])),
        excursion_rpm=_mean(warm["excursion_rpm"]),
        undershoot_rpm=_mean(warm["blip_undershoot_rpm"]),
        lowest_rpm=float(np.nanmin(lowest)),
        ranges=ranges,
    )


@dataclass(frozen=True)
class Gap:
    """The score in the search against the last word on cars and seeds the search never met.

    Attributes
    ----------
    search_rpm, verdict_rpm : float
        Score of the chosen settings on the search's cars, and on fresh ones [rpm].
    now_rpm : float
        Score of the present settings on the fresh ones [rpm].
    """

    search_rpm: float
    verdict_rpm: float
    now_rpm: float

    @property
    def share(self) -> float:
        """How much worse the verdict is than the search told, as a share of it [-]."""
        return self.verdict_rpm / max(self.search_rpm, 1e-9) - 1.0

    def to_dict(self) -> dict[str, float]:
        """Give it as plain values.

        Gives fields by name, and the share.
        """
        return {**asdict(self), "share": self.share}


@dataclass(frozen=True)
class Tuning:
    """Settings found, and all that speaks for and against them.

    Attributes
    ----------
    car : Car
        The car with the settings found; nothing but ``[feedback]`` differs.
    settings : Feedback
        The settings, as the controller's entry form holds them.
    now, predicted : Prediction
        What the present and the found settings do on the same fresh cars and seeds.
    now_score, predicted_score : Score
        Their scores there.
    weights : Weights
        What was weighed.
    preset, budget : str
        Names of the weights and of the size of the search.
    trials : int
        Candidates tried.
    engines : int
        Different plausible cars met.
    seconds : float
        Time it took [s].
    front : Front
        Quiet against quick against wear.
    importance : dict
        Which settings mattered, shares [-].
    plateau : Plateau
        Scores one entry step away.
    gap : Gap
        Search against verdict.
    improvement_chance : float
        With 95 % confidence one more trial would improve the score by more than 1 % with less
        than this chance [-].
    kept : bool
        True where nothing better than the present settings was found, and they were kept.
    samples : tuple of Samples
        The car as its file says on the warm drive: present settings, then those found.
    """

    car: Car
    settings: Feedback
    now: Prediction
    predicted: Prediction
    now_score: Score
    predicted_score: Score
    weights: Weights
    preset: str
    budget: str
    trials: int
    engines: int
    seconds: float
    front: Front
    importance: Mapping[str, float]
    plateau: Plateau
    gap: Gap
    improvement_chance: float
    kept: bool
    samples: Sequence[Samples]

    @property
    def floor_rpm(self) -> float:
        """Swing of warm idle with the valve held: what no feedback can remove [rpm]."""
        return self.predicted.floor_rpm

    def lines(self) -> list[str]:
        """Tell the result in words.

        Returns
        -------
        list of str
            The verdict first.
        """
        now, then, gap = self.now, self.predicted, self.gap
        if self.kept:
            first = (
                f"Nothing better than the present settings was found in {self.trials} trials:"
                " they are kept."
            )
        else:
            first = (
                f"Settings found: score {gap.now_rpm:.0f} -> {gap.verdict_rpm:.0f} rpm on fresh"
                f" cars (lower is better), hunting {now.hunting_rpm:.0f} -> {then.hunting_rpm:.0f}"
                f" rpm, {then.floor_rpm:.0f} of it with the valve held."
            )
        low, high = self.settings.trim_limit_steps
        return [
            first,
            (
                f"law {self.settings.law}: gain {self.settings.gain_steps_per_100rpm:g} steps per 100 rpm,"
                f" integral {self.settings.integral_steps_per_100rpm_s:g} per s, deadband"
                f" {self.settings.deadband_rpm:g} rpm, minimum move {self.settings.min_move_steps} steps,"
                f" update every {self.settings.update_period_ms:g} ms, trim {low:+g} to {high:+g} steps"
            ),
            *(
                f"{name}: {before:.3g} -> {after:.3g} {unit}"
                for name, before, after, unit in (
                    ("settling after a load", now.settle_s, then.settle_s, "s"),
                    ("dip or flare at a load", now.excursion_rpm, then.excursion_rpm, "rpm"),
                    ("undershoot after a blip", now.undershoot_rpm, then.undershoot_rpm, "rpm"),
                    ("valve moves a minute", now.moves_per_min, then.moves_per_min, ""),
                    ("share of runs that stall", now.stall_share, then.stall_share, ""),
                )
            ),
            (
                f"weights {self.preset}; search score {gap.search_rpm:.0f} rpm, on fresh cars"
                f" {gap.verdict_rpm:.0f} ({100.0 * gap.share:+.1f} %)"
            ),
            f"why these: {self.front.reason}",
            (
                f"{self.trials} trials on {self.engines} plausible cars in {self.seconds:.0f} s; one more"
                f" trial would gain over 1 % with a chance below {100.0 * self.improvement_chance:.0f} %"
            ),
        ]

    def to_dict(self) -> dict[str, Any]:
        """Give it as plain values, for JSON.

        Returns
        -------
        dict
            ``settings``, ``now``, ``predicted``, ``trials``, ``engines``, ``seconds`` as the
            contract has them, and the rest by name.
        """
        return {
            "settings": settings_dict(self.settings),
            "now": self.now.to_dict(),
            "predicted": self.predicted.to_dict(),
            "trials": self.trials,
            "engines": self.engines,
            "seconds": self.seconds,
            "floor_rpm": self.floor_rpm,
            "preset": self.preset,
            "weights": asdict(self.weights),
            "budget": self.budget,
            "now_score": self.now_score.to_dict(),
            "predicted_score": self.predicted_score.to_dict(),
            "gap": self.gap.to_dict(),
            "front": self.front.to_dict(),
            "importance": dict(self.importance),
            "plateau": self.plateau.to_dict(),
            "improvement_chance": self.improvement_chance,
            "kept": self.kept,
        }
