"""The proof of cause: each possible one switched off in simulation, with and without beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sim import Car, with_values
from tuning.explanation.cycle import STARTS_rpm
from tuning.explanation.ends import (
    Ends,
    Measured,
    Phases,
    ends_of,
    measured,
    part,
    run_phases,
    without_scatter,
)
from tuning.explanation.switches import Switch
from tuning.loop import IdlePoint
from tuning.measures import HuntingChance, chance_over, hunts
from tuning.notes import Note, Told

ENDED_SHARE = 0.25  # Hunting has ended when this share of its mean swing or less is left [-].
SELDOM = 0.05  # Below this share of runs without scatter it does not count as hunting [-].
OFTEN_WITH_SCATTER = 0.25
"""From this share of runs with scatter it does, though it comes to rest without [-]."""
FEWEST_RUNS = 24
"""Runs with scatter of the car as it is: none of so many that hunts leaves a chance of 12 % [-]."""


@dataclass(frozen=True)
class AblationRow(Told):
    """What is left of the hunting with one thing changed."""

    ALSO = ("ends_it",)

    key: str  # as in ``Switch``
    name: Note
    runs: int  # phases and starts without scatter, and the share of them that hunts
    chance: float
    swing_rpm: float  # mean swing over all of them, 0 for those at rest: chance times size
    hunting_swing_rpm: float  # mean swing and usual period of those that hunt
    period_s: float
    moves_per_min: float  # of the valve, scatter taken out
    limited_share: float  # mean share of time at a trim limit
    error_rpm: float  # mean distance of mean speed from target
    with_scatter_swing_rpm: float  # mean band-passed swing and moves with the engine's scatter
    with_scatter_moves_per_min: float
    with_scatter_chance: float  # share with scatter whose swing is regular and above the valve-held floor
    left_share: float  # of the swing; with scatter alone of that above the floor; nan: it does not hunt
    stalled_share: float  # share of runs that stalled, and that race
    racing_share: float

    @property
    def ends_it(self) -> bool:
        """Whether the hunting has ended."""
        return self.left_share <= ENDED_SHARE


@dataclass(frozen=True, eq=False)
class Ablation:
    """The table 'with and without', and the runs behind its first row."""

    rows: tuple[AblationRow, ...]  # the car as it is first
    ends: Ends  # runs of the car as it is without scatter, phase by phase, ``STARTS_rpm`` side by side
    floor_rpm: float  # band-passed swing with the valve held
    scatter_rpm: float  # standard deviation of the speed read with the valve held
    chance: HuntingChance  # how often the car as it is hunts, with scatter
    held_chance: float  # share of runs that hunt, regularly, and that stall with the valve held
    held_stalled: float

    @property
    def as_is(self) -> AblationRow:
        """The car as it is."""
        return self.rows[0]

    @property
    def hunts(self) -> bool:
        """Whether the car as it is hunts, so that there is something to explain."""
        return is_explained(self.chance, self.as_is.chance)

    def row(self, key: str) -> AblationRow | None:
        """The row of one switch, none if it was not tried."""
        return next((row for row in self.rows if row.key == key), None)


def regular_share(values: Measured, floor_rpm: float | None) -> float:
    """Share of runs whose swing is regular and, if the floor is known, above it [-]."""
    return float(np.mean(hunts(values.of, floor_rpm)))


def held_still(car: Car) -> Car:
    """The car with feedback off, so that the valve is held."""
    return with_values(car, {"feedback": {"law": "none"}})


def held_floor(cars: Sequence[Car], phases: Phases, coolant_degC: float, seed: int) -> list[Measured]:
    """Measure cars with scatter, phase by phase, one a car."""
    count = len(phases)
    values = measured(run_phases(cars, phases, coolant_degC=coolant_degC, seed=seed)).values
    return [Measured(values[i * count : (i + 1) * count]) for i in range(len(cars))]


def is_explained(chance: HuntingChance, quiet: float) -> bool:
    """Whether a car hunts: with scatter often, or seldom and from some places without it too."""
    return chance.hunting > 0 and (chance.share >= OFTEN_WITH_SCATTER or quiet >= SELDOM)


def _row(switch: Switch, ends: Ends, noisy: Measured, floor_rpm: float) -> AblationRow:
    on_target = ends.error_rpm[~ends.stalled]
    return AblationRow(
        key=switch.key, name=switch.name, runs=ends.hunting.size, chance=ends.chance,
        swing_rpm=float(ends.swing_rpm.mean()), hunting_swing_rpm=ends.mean_swing_rpm,
        period_s=ends.usual_period_s, moves_per_min=float(ends.moves_per_min.mean()),
        limited_share=float(ends.limited_share.mean()),
        error_rpm=float(np.abs(on_target).mean()) if on_target.size else float("nan"),
        with_scatter_swing_rpm=noisy.mean("hunting_rpm"),
        with_scatter_moves_per_min=noisy.mean("moves_per_min"),
        with_scatter_chance=regular_share(noisy, floor_rpm), left_share=float("nan"),
        stalled_share=float(ends.stalled.mean()), racing_share=float(ends.racing.mean()),
    )  # fmt: skip


def _with_share(row: AblationRow, as_is: AblationRow, floor_rpm: float) -> AblationRow:
    """The row with what is left of the hunting beside it."""
    if as_is.chance >= SELDOM:
        return replace(row, left_share=row.swing_rpm / as_is.swing_rpm)
    if as_is.with_scatter_chance < OFTEN_WITH_SCATTER:
        return row
    above = max(as_is.with_scatter_swing_rpm - floor_rpm, 1.0)
    left = max(row.with_scatter_swing_rpm - floor_rpm, 0.0) / above
    return replace(row, left_share=left)


def ablation(
    changed: Sequence[Switch], held: Measured, point: IdlePoint, phases: Phases, seed: int
) -> Ablation:
    """Run every changed car in every phase, with and without scatter."""
    cars, coolant_degC = [switch.car for switch in changed], point.coolant_degC
    still = [without_scatter(car) for car in cars]
    quiet = ends_of(run_phases(still, phases, coolant_degC=coolant_degC, offsets_rpm=STARTS_rpm))
    # The car as it is in ``FEWEST_RUNS`` runs or more: phase by phase, again and again.
    seeds = range(seed, seed + max(FEWEST_RUNS, len(phases)), len(phases))
    own = [held_floor(cars[:1], phases, coolant_degC, one)[0].values for one in seeds]
    as_is = Measured(np.concatenate(own))
    noisy = [as_is, *held_floor(cars[1:], phases, coolant_degC, seed)] if cars[1:] else [as_is]
    floor, count = held.mean("hunting_rpm"), len(phases) * len(STARTS_rpm)
    each = [part(quiet, slice(i * count, (i + 1) * count)) for i in range(len(cars))]
    rows = [
        _row(switch, ends, values, floor) for switch, ends, values in zip(changed, each, noisy, strict=True)
    ]
    return Ablation(
        rows=tuple(_with_share(row, rows[0], floor) for row in rows), ends=each[0], floor_rpm=floor,
        scatter_rpm=held.mean("scatter_rms_rpm"), chance=chance_over(as_is.of, floor),
        held_chance=regular_share(held, None),
        held_stalled=float(np.mean(~np.isfinite(held.of("hunting_rpm")))),
    )  # fmt: skip
