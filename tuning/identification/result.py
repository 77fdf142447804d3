"""What a fit gives: a car, how sure it is of it, and whether to trust it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim import Car
from tuning.identification.parameters import Floats
from tuning.identification.scatter import Scatter
from tuning.identification.verdict import FitCheck, HeldBack
from tuning.notes import Note, Told

SLOWEST_rad_s = 0.01  # A time constant is told as no longer than the reverse of this [rad/s].


@dataclass(frozen=True)
class Fitted(Told):
    """One number of the car, before and after the fit."""

    name: str  # table and key
    file_value: float | None  # in the car file and fitted; None for parts of a curve
    value: float | None  # as fitted
    change: float  # a factor, or what was added, and its 90 % interval
    low: float  # lower end of it
    high: float  # upper end of it
    unit: str  # of what was added; empty where the change is a factor
    told: bool  # by the log; otherwise the file's value holds, as uncertain as before

    def note(self) -> Note:
        """The change, its interval and the value now."""
        told: dict[str, float | str | None] = {
            "name": self.name, "change": self.change, "low": self.low, "high": self.high,
            "unit": self.unit, "value": self.value,
        }  # fmt: skip
        if self.told:
            return Note("identification.number", **told)
        return Note("identification.number_not_told", **told)


@dataclass(frozen=True)
class Interval(Told):
    """A figure and its 90 % interval."""

    value: float  # in the figure's unit
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Curve:
    """Measured and modelled signals of one stretch, for figures: rpm and, where recorded, pressure."""

    log: int  # which one
    time_s: Floats  # shape (slots,): in its log's time
    measured: Floats  # shape (slots, 1 or 2), as both that follow [rpm, kPa]
    modelled: Floats
    predicted: Floats  # by a fit without the held-back holds
    used: NDArray[np.bool_]  # shape (slots,), as what follows
    held_back: NDArray[np.bool_]  # kept from that fit


@dataclass(frozen=True, eq=False)
class Fit(Told):
    """A car fitted to logs.

    Attributes
    ----------
    car, described : Car, Car
        With the fitted numbers and their ``[uncertainty]``; as it was before.
    numbers, covariance : tuple of Fitted, ndarray
        What was changed; how surely, of logarithms of factors or units added.
    scatter, held_back, checks : Scatter, tuple of HeldBack, tuple of FitCheck
        Unevenness of the firings; predictions of what the fit had not seen; what speaks for and against it.
    curves, notes, seconds : tuple of Curve, tuple of Note, float
        Signals for figures; what else was noticed; how long it took [s].
    """

    TOLD = (
        "trusted", "reasons", "at_steps", "rpm_per_step", "main_pole_rad_s", "settled_rpm", "scatter",
        "loads_W", "numbers", "covariance", "held_back", "checks", "uncertainty", "notes", "seconds",
    )  # fmt: skip

    car: Car
    described: Car
    numbers: tuple[Fitted, ...]
    covariance: Floats
    rpm_per_step: Interval  # [rpm per step] What a step is worth at ``at_steps``
    main_pole_rad_s: Interval  # [rad/s] How quickly the fitted engine answers there
    settled_rpm: Interval  # [rpm] Where it settles there
    at_steps: float  # valve position these hold for: the middle of the log
    scatter: Scatter
    loads_W: tuple[float, ...]  # sizes found of loads that were not recorded
    held_back: tuple[HeldBack, ...]
    checks: tuple[FitCheck, ...]
    curves: tuple[Curve, ...]
    notes: tuple[Note, ...]
    seconds: float

    @property
    def trusted(self) -> bool:
        """Whether every check is passed."""
        return all(check.passed for check in self.checks)

    @property
    def reasons(self) -> tuple[Note, ...]:
        """Why it is not to be trusted; empty where it is."""
        return tuple(check.note for check in self.checks if not check.passed)

    def lines(self) -> list[Note]:
        """The fit told, the verdict first."""
        verdict = Note("identification.trusted")
        if not self.trusted:
            verdict = Note("identification.not_trusted", reasons=self.reasons)
        pole, gain = self.main_pole_rad_s, self.rpm_per_step
        return [
            verdict,
            Note(
                "identification.at_steps", at_steps=self.at_steps, worth_rpm=gain.value,
                low_rpm=gain.low, high_rpm=gain.high, time_constant_s=1.0 / pole.value,
                shortest_s=1.0 / pole.high, longest_s=1.0 / max(pole.low, SLOWEST_rad_s),
            ),
            Note(
                "identification.scatter", scatter_rpm=self.scatter.rms_rpm,
                uneven_percent=100.0 * self.scatter.share, carried_percent=100.0 * self.scatter.memory,
            ),
            *(check.note for check in self.checks if check.passed),
            *(one.note() for one in self.numbers),
            *(Note("identification.note", note=note) for note in self.notes),
        ]  # fmt: skip

    def _told(self) -> dict[str, Any]:
        return {"uncertainty": self.car.uncertainty}


def root_of(covariance: Floats) -> Floats:
    """Root of a covariance that may be singular: it makes standard normal numbers of that covariance [any].

    Source: eigenvalues, definition.
    """
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
