"""What a comparison gives: measures predicted and recorded side by side, and the overlay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

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
    # Thirty moves counted in a minute are uncertain by five or so.
    Asked("moves_per_min", "valve moves a minute", "1/min", 8.0,
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

        Gives one line.
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

    @property
    def verdict(self) -> str:
        """What it comes to, in one sentence."""
        different = [row.meaning for row in self.rows if not row.agrees]
        if not different:
            return "The car does what was predicted."
        return "The car differs from the prediction in: " + ", ".join(different) + "."

    def lines(self) -> list[str]:
        """The comparison in words.

        Returns
        -------
        list of str
            The verdict first, then what differs and what to mind.
        """
        different = [f"{row.meaning}: {row.hint}." for row in self.rows if not row.agrees]
        return [self.verdict, *different, *self.notes]

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
            "verdict": self.verdict,
            "rows": [asdict(row) for row in self.rows],
            "from_s": self.from_s,
            "to_s": self.to_s,
            "windows": [list(window) for window in self.windows],
            "notes": list(self.notes),
        }


def outer_parts(runs: NDArray[Any]) -> Floats:
    """Range that most runs keep within.

    Gives shape (2, ...): percentiles 10 and 90 over the runs [any].
    """
    return np.asarray(np.percentile(runs, [LOW, HIGH], axis=0), dtype=np.float64)


def compared_measure(asked: Asked, runs: Floats, recorded: float | None) -> Compared | None:
    """Compare one measure.

    Gives none where either side has nothing to say.
    """
    known = runs[np.isfinite(runs)]
    if recorded is None or known.size < max(3, runs.size // 2):
        return None
    low, high = (float(v) for v in outer_parts(known))
    middle = float(np.median(known))
    slack = max(asked.slack, WIDENED * abs(middle))
    agrees = low - slack <= recorded <= high + slack
    hint = "" if agrees else (asked.if_more if recorded > middle else asked.if_less)
    return Compared(
        asked.name, asked.meaning, asked.unit, middle, low, high, recorded, agrees, hint
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


__all__ = [
    "ASKED", "Asked", "Compared", "Comparison", "Overlay", "compared_measure", "outer_parts",
    "predicted_and_recorded",
]  # fmt: skip
