"""What to expect of a car's settings: one prediction over plausible cars, for the sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sim import Car
from tuning.ensemble import STRESS, TrialRuns, noise_seeds, plausible_cars
from tuning.loop import usual_idle
from tuning.notes import Note, Told
from tuning.search import Prediction, acceptances, not_acceptable, predict

CARS, SEEDS = 16, 8

TOLD = (
    ("hunting_rpm", "rpm"),
    ("worst_dip_rpm", "rpm"),
    ("settle_s", "s"),
    ("undershoot_rpm", "rpm"),
    ("lowest_rpm", "rpm"),
    ("moves_per_min", "1/min"),
)
"""What a prediction is told by: name and unit."""


@dataclass(frozen=True)
class Expected(Told):
    """One measure over plausible cars."""

    ALSO = ("meaning",)

    name: str  # in the prediction
    unit: str
    low: float  # range of eight runs in ten, in its unit
    high: float  # its upper end

    @property
    def meaning(self) -> Note:
        """What is measured."""
        return Note("prediction.expected", name=self.name)


@dataclass(frozen=True)
class Expectation(Told):
    """What to expect of a car's settings."""

    TOLD = ("rows", "prediction", "cars", "runs", "worth_rpm", "doubts")

    prediction: Prediction  # means and ranges
    cars: int  # plausible ones
    runs: int  # of them
    worth_rpm: tuple[float, float]  # what a step is worth, warm, on eight in ten
    doubts: tuple[Note, ...] = ()  # by what the settings are not acceptable; none where they are, or are off

    @property
    def rows(self) -> tuple[Expected, ...]:
        """The measures told, those there are."""
        ranges = self.prediction.ranges
        return tuple(Expected(name, unit, *ranges[name]) for name, unit in TOLD if name in ranges)


def expect(car: Car, *, seed: int = 0, on_progress: Callable[..., None] | None = None) -> Expectation:
    """Run a car's settings on plausible cars and tell what to expect.

    Parameters
    ----------
    car, seed : Car, int
        With the settings asked about; seed of cars and scatter, 0 or more.
    on_progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    Expectation, over cars and seeds that no search has seen
    """
    cars = plausible_cars(car, CARS, seed=seed, purpose=STRESS).cars
    trial = TrialRuns(cars, noise_seeds(seed, STRESS, SEEDS), measures=True)
    runs = trial.run([car.feedback], on_progress=on_progress)
    idles = [idle for idle in map(usual_idle, cars) if idle is not None]
    low, high = np.percentile([one.rpm_per_step for one in idles] or [0.0], [10.0, 90.0])
    doubts = tuple(not_acceptable(acceptances(runs)[0])) if car.feedback.acts else ()
    worth = float(low), float(high)
    return Expectation(predict(runs, 0), len(cars), trial.runs_per_candidate, worth, doubts)
