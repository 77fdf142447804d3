"""What to expect of a car's settings: one prediction over plausible cars, for the sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from sim import Car

if TYPE_CHECKING:
    from tuning.search import Prediction

CARS, SEEDS = 16, 3

TOLD = (
    ("hunting_rpm", "swing at warm idle, peak to peak", "rpm"),
    ("worst_dip_rpm", "deepest dip as everything electric comes on", "rpm"),
    ("settle_s", "settling after a load", "s"),
    ("undershoot_rpm", "furthest below target after a blip", "rpm"),
    ("lowest_rpm", "lowest speed, blip and loads included", "rpm"),
    ("moves_per_min", "valve moves a minute", "1/min"),
)
"""What a prediction is told by: name, meaning and unit."""


@dataclass(frozen=True)
class Expected:
    """One measure over plausible cars.

    Attributes
    ----------
    name : str
        Name in the prediction.
    meaning : str
        In words.
    unit : str
        Its unit.
    low, high : float
        Range of eight runs in ten [unit].
    """

    name: str
    meaning: str
    unit: str
    low: float
    high: float


@dataclass(frozen=True)
class Expectation:
    """What to expect of a car's settings.

    Attributes
    ----------
    prediction : Prediction
        Means and ranges.
    cars, runs : int
        Plausible cars, and runs of them.
    """

    prediction: Prediction
    cars: int
    runs: int

    @property
    def rows(self) -> tuple[Expected, ...]:
        """The measures told, those there are."""
        ranges = self.prediction.ranges
        return tuple(
            Expected(name, meaning, unit, *ranges[name])
            for name, meaning, unit in TOLD
            if name in ranges
        )

    def to_dict(self) -> dict[str, Any]:
        """Give the expectation as plain values.

        Returns
        -------
        dict
            ``rows``, each a dict, ``prediction``, ``cars`` and ``runs``.
        """
        rows = [asdict(row) for row in self.rows]
        told = self.prediction.to_dict()
        return {"rows": rows, "prediction": told, "cars": self.cars, "runs": self.runs}


def expect(
    car: Car, *, seed: int = 0, on_progress: Callable[..., None] | None = None
) -> Expectation:
    """Run a car's settings on plausible cars and tell what to expect.

    Parameters
    ----------
    car : Car
        With the settings asked about.
    seed : int
        Seed of cars and scatter, 0 or more.
    on_progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    Expectation
        Over cars and seeds that no search has seen.
    """
    from tuning.ensemble import STRESS, TrialRuns, noise_seeds, plausible_cars, search_drives
    from tuning.search import predict

    cars = plausible_cars(car, CARS, seed=seed, purpose=STRESS).cars
    trial = TrialRuns(cars, search_drives(car), noise_seeds(seed, STRESS, SEEDS))
    runs = trial.run([car.feedback], on_progress=on_progress)
    return Expectation(predict(runs, 0), len(cars), int(runs.of("stalled")[0].size))
