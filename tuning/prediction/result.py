"""What a comparison gives: measures predicted and recorded side by side, and the overlay."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.loop import WIDEST_DEADBAND_rpm
from tuning.notes import Note, Told

Floats = NDArray[np.float64]

LOW, HIGH = 10.0, 90.0  # Percentiles of the runs that make the predicted range.
OUTSIDE_SHARE = 0.25
"""Share of the measures that may lie just outside a range that eight runs in ten keep within."""
WIDENED = 0.25  # The range is widened by this share of its own middle, for what no model has [-].


HELD_rpm = 50.0
"""Speed farther off than this by steps that make it worse is no feedback's doing: our choice [rpm]."""


@dataclass(frozen=True)
class Asked:
    """One measure that is compared; differences below slack or a share of it do not matter [unit, -]."""

    name: str
    unit: str
    slack: float
    share: float = WIDENED
    least: float = 0.0


ASKED = (
    Asked("hunting_rpm", "rpm", 8.0),
    Asked("scatter_rms_rpm", "rpm", 4.0),
    Asked("mean_error_rpm", "rpm", 15.0, least=-np.inf),
    Asked("lowest_rpm", "rpm", 40.0, share=0.0),
    Asked("dip_rpm", "rpm", 20.0),
    Asked("settle_s", "s", 1.5),
    # Thirty moves counted in a minute are uncertain by five or so.
    Asked("moves_per_min", "1/min", 8.0),
    Asked("mean_steps", "steps", 2.0),
)


@dataclass(frozen=True)
class Compared(Told):
    """One measure, predicted and recorded, and the range, without and with margins, in its unit."""

    ALSO = ("meaning", "hint")

    name: str
    unit: str
    predicted: float
    low: float
    high: float
    recorded: float
    agrees: bool
    least: float = float("nan")
    most: float = float("nan")

    @property
    def inside(self) -> bool:
        """Whether the record lies within the range itself."""
        return self.low <= self.recorded <= self.high

    @property
    def meaning(self) -> Note:
        """What is measured."""
        return Note("prediction.measure", name=self.name)

    @property
    def hint(self) -> Note:
        """What a difference points to; says nothing where it agrees."""
        if self.agrees:
            return Note("prediction.no_hint")
        if self.recorded > self.predicted:
            return Note("prediction.more", name=self.name)
        return Note("prediction.less", name=self.name)


@dataclass(frozen=True, eq=False)
class Overlay:
    """Record and one predicted run on the same grid, for a figure."""

    time_s: Floats
    recorded_rpm: Floats
    predicted_rpm: Floats
    low_rpm: Floats
    high_rpm: Floats
    recorded_steps: Floats
    predicted_steps: Floats


@dataclass(frozen=True, eq=False)
class Comparison(Told):
    """Prediction and record side by side."""

    TOLD = ("car", "file", "agrees", "verdict", "rows", "from_s", "to_s", "windows", "notes")

    car: str
    file: str  # name of the log
    rows: tuple[Compared, ...]  # measures that both have
    from_s: float
    to_s: float
    windows: tuple[tuple[str, float, float], ...]  # kinds and spans measured, in the log's time [-, s, s]
    overlay: Overlay = field(repr=False)
    hunts_rpm: float = 0.0  # swing of a record that hunts
    notes: tuple[Note, ...] = ()

    @property
    def agrees(self) -> bool:
        """Whether none differs, and no more lie just outside than eight runs in ten leave there."""
        outside = sum(not row.inside for row in self.rows)
        few = outside <= max(1, round(OUTSIDE_SHARE * len(self.rows)))
        return few and all(row.agrees for row in self.rows)

    @property
    def verdict(self) -> Note:
        """What it comes to."""
        inside = sum(row.inside for row in self.rows)
        different = tuple(row.meaning for row in self.rows if not row.agrees)
        if different:
            return Note("prediction.differs", measures=different, inside=inside, of=len(self.rows))
        if not self.agrees:
            return Note("prediction.near", inside=inside, of=len(self.rows))
        others = len(self.rows) - inside
        return Note("prediction.as_predicted", inside=inside, of=len(self.rows), others=others)

    def _next_steps(self) -> list[Note]:
        """What to change next, and by how much, where the record asks for it."""
        off = {row.name: row.recorded - row.predicted for row in self.rows if not row.inside}
        by_name = {row.name: row for row in self.rows}
        steps, told = off.get("mean_steps", 0.0), []
        error_rpm = by_name["mean_error_rpm"].recorded if "mean_error_rpm" in by_name else 0.0
        if abs(error_rpm) > HELD_rpm and steps * error_rpm < 0.0:
            return [Note("prediction.next.not_held", error_rpm=abs(error_rpm), fast=error_rpm < 0.0)]
        if abs(steps) >= 1.0:
            told.append(Note("prediction.next.base", by_steps=abs(steps), more=steps > 0.0))
        if self.hunts_rpm > 0.0 and "hunting_rpm" not in off:
            told.append(Note("prediction.next.hunts", swing_rpm=self.hunts_rpm))
        if off.get("hunting_rpm", 0.0) > 0.0:
            half_rpm = 0.5 * by_name["hunting_rpm"].recorded
            told.append(Note("prediction.next.swing", half_rpm=half_rpm, wide=half_rpm > WIDEST_DEADBAND_rpm))
        elif off.get("settle_s", 0.0) > 0.0:
            told.append(Note("prediction.next.late"))
        return told or [Note("prediction.next.go_on") if self.agrees else Note("prediction.next.fit")]

    def lines(self) -> list[Note]:
        """The comparison told, the verdict first, then what differs, what to mind and what to do next."""
        different = [
            Note("prediction.difference", measure=row.meaning, hint=row.hint)
            for row in self.rows
            if not row.agrees
        ]
        return [self.verdict, *different, *self.notes, *self._next_steps()]


def outer_parts(runs: NDArray[Any]) -> Floats:
    """Range that most runs keep within: percentiles 10 and 90 over the runs [any]."""
    return np.asarray(np.percentile(runs, [LOW, HIGH], axis=0), dtype=np.float64)


def compared_measure(asked: Asked, runs: Floats, recorded: float | None) -> Compared | None:
    """Compare one measure."""
    known = runs[np.isfinite(runs)]
    if recorded is None or known.size < max(3, runs.size // 2):
        return None
    low, high = (float(v) for v in outer_parts(known))
    middle = float(np.median(known))
    slack = max(asked.slack, asked.share * abs(middle))
    least, most = max(low - slack, asked.least), high + slack
    agrees = least <= recorded <= most
    return Compared(asked.name, asked.unit, middle, low, high, recorded, agrees, least, most)
