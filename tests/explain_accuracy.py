"""How near theory comes to simulation over many random cars: one measure for test and benchmark.

Scatter is taken out (theory says nothing of it).  A case is one car with its settings, run from
many starting phases; it counts as hunting from a twentieth of them on.  Its swing and period are
those of the run whose target lies nearest to midway between two positions, the typical one: near
the edge of hunting a period depends on tenths of an rpm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim import with_values
from tests.random_idle_cars import RandomIdle
from tuning.explanation.ablation import SELDOM, ablation, held_floor
from tuning.explanation.causes import agrees, named_by_theory
from tuning.explanation.cycle import CycleView, STARTS_rpm, cycle_view
from tuning.explanation.ends import ends_of, even_phases, part, run_phases, without_scatter
from tuning.explanation.resolution import resolution_view
from tuning.explanation.switches import switches
from tuning.loop.view import linear_view

SWING_TOLERANCE, PERIOD_TOLERANCE = 0.10, 0.05


@dataclass(frozen=True)
class Case:
    """What one random car showed; the last three are None where it does not hunt."""

    idle: RandomIdle
    predicted_chance: float
    simulated_chance: float
    cycle: CycleView | None
    named: str | None
    agreed: bool | None

    @property
    def chance_error(self) -> float:
        return abs(self.predicted_chance - self.simulated_chance)

    @property
    def has_period(self) -> bool:
        return self.cycle is not None and self.cycle.seen is not None

    @property
    def swing_good(self) -> bool:
        return self.cycle is not None and abs(self.cycle.swing_ratio - 1.0) <= SWING_TOLERANCE

    @property
    def period_good(self) -> bool:
        return self.cycle is not None and abs(self.cycle.period_ratio - 1.0) <= PERIOD_TOLERANCE


@dataclass(frozen=True)
class Accuracy:
    """All cases together."""

    cases: tuple[Case, ...]

    @property
    def hunting(self) -> list[Case]:
        return [case for case in self.cases if case.named is not None]

    @property
    def mean_chance_error(self) -> float:
        return float(np.mean([case.chance_error for case in self.cases]))

    @property
    def swing_share(self) -> float:
        return float(np.mean([case.swing_good for case in self.hunting if case.has_period]))

    @property
    def period_share(self) -> float:
        return float(np.mean([case.period_good for case in self.hunting if case.has_period]))

    @property
    def agreed_share(self) -> float:
        return float(np.mean([bool(case.agreed) for case in self.hunting]))

    def __str__(self) -> str:
        named = [case.named for case in self.hunting]
        causes = {name: named.count(name) for name in sorted({n for n in named if n})}
        return (
            f"{len(self.cases)} cases, {len(self.hunting)} hunt {causes};"
            f" mean error of chance {self.mean_chance_error:.4f};"
            f" swing within 10 % in {self.swing_share:.3f},"
            f" period within 5 % in {self.period_share:.3f}"
            f" of {sum(case.has_period for case in self.hunting)} with a period;"
            f" switch-off agrees in {self.agreed_share:.3f}"
        )


def judged(idle: RandomIdle, phases_count: int) -> Case:
    """Run one car from many phases, and, if it hunts, switch every cause off."""
    car, point = without_scatter(idle.car), idle.point
    phases = even_phases(car, point, phases_count)
    quiet = ends_of(run_phases([car], phases, coolant_degC=point.coolant_degC))
    resolution = resolution_view(car, point, phases, 0.0)
    simulated = quiet.chance
    if simulated < SELDOM:
        return Case(idle, resolution.chance, simulated, None, None, None)
    linear = linear_view(car, point, quick=True)
    still = with_values(car, {"feedback": {"law": "none"}})
    held = held_floor([still], phases, point.coolant_degC, 0)[0]
    table = ablation(switches(car, linear, {}), held, point, phases, 0)
    # The cycle is compared on runs that start at the target: every third of those in the table.
    at_target = part(table.ends, slice(0, None, len(STARTS_rpm)))
    cycle = cycle_view(car, point, phases, at_target, resolution.chance)
    named = named_by_theory(car, linear, resolution, table)
    return Case(idle, resolution.chance, simulated, cycle, named, agrees(table, named))


def accuracy(idles: list[RandomIdle], phases_count: int) -> Accuracy:
    """Judge all cars."""
    return Accuracy(tuple(judged(idle, phases_count) for idle in idles))
