"""Chance of hunting and its cause by theory, quick enough to follow the sliders."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sim import Car, with_values

if TYPE_CHECKING:
    from tuning.explanation import HuntingMap, Phases
    from tuning.loop import IdlePoint

PHASES = 24
"""Places between two positions of the valve that a run may start from."""


@dataclass(frozen=True, eq=False)
class Chance:
    """How often this car hunts.

    Attributes
    ----------
    point : IdlePoint or None
        Where it idles; None where no valve position gives the target.
    phases : Phases or None
        Starting places.
    share : float
        Share of starting places from which it hunts, scatter taken out [-].
    swing_rpm, period_s : float
        Mean swing and usual period of those; 0 and nan where none does [rpm, s].
    stalled_share : float
        Share that stalls [-].
    """

    point: IdlePoint | None
    phases: Phases | None
    share: float = 0.0
    swing_rpm: float = 0.0
    period_s: float = float("nan")
    stalled_share: float = 0.0

    def text(self) -> str:
        """Say it in one sentence.

        Gives with numbers.
        """
        if self.point is None:
            return "No valve position gives the target speed at this temperature."
        if self.stalled_share > 0.0:
            return f"It stalls from {100.0 * self.stalled_share:.0f} of 100 starting places."
        if self.share == 0.0:
            return "It comes to rest, wherever it starts."
        often = f"It hunts from {100.0 * self.share:.0f} of 100 starting places"
        every = f" every {self.period_s:.1f} s" if self.period_s == self.period_s else ""
        return f"{often}: {self.swing_rpm:.0f} rpm peak to peak{every}."


def chance_of(car: Car, coolant_degC: float) -> Chance:
    """Run the car from many places between two positions of the valve.

    Gives by the runs that ``explain`` makes too.
    """
    from tuning.explanation import STARTS_rpm, ends_of, even_phases, run_phases, without_scatter
    from tuning.loop import idle_point

    point = idle_point(car, coolant_degC)
    if point is None:
        return Chance(None, None)
    phases = even_phases(car, point, PHASES)
    runs = run_phases(
        [without_scatter(car)], phases, coolant_degC=coolant_degC, offsets_rpm=STARTS_rpm
    )
    ends = ends_of(runs)
    stalled = float(ends.stalled.mean())
    return Chance(point, phases, ends.chance, ends.mean_swing_rpm, ends.usual_period_s, stalled)


def cause_of(car: Car, chance: Chance, seed: int) -> str:
    """Name the cause that the numbers of theory point to.

    Gives in plain words; not yet proved by switching it off.
    """
    from tuning.explanation import (
        CAUSES,
        ablation,
        held_floor,
        named_by_theory,
        resolution_view,
        switches,
    )
    from tuning.loop import linear_view

    point, phases = chance.point, chance.phases
    if point is None or phases is None:
        return ""
    linear = linear_view(car, point, quick=True)
    still = with_values(car, {"feedback": {"law": "none"}})
    held = held_floor([still], phases, point.coolant_degC, seed)[0]
    table = ablation(switches(car, linear, {})[:1], held, point, phases, seed)
    resolution = resolution_view(car, point, phases, held.mean("scatter_rms_rpm"))
    return CAUSES[named_by_theory(car, linear, resolution, table)]


def map_of(car: Car, chance: Chance, kind: str, seed: int) -> HuntingMap | None:
    """The coarse hunting map of two settings.

    Gives none where there is nothing to map: no feedback, or an engine that swings by itself.
    """
    from tuning.explanation import QUICK, gain_map, resolution_map

    point = chance.point
    if car.feedback.law == "none" or point is None or not point.plant.is_stable():
        return None
    nothing: dict[str, Any] = {}
    if kind == "gains":
        return (
            None if car.feedback.law == "nudge" else gain_map(car, point, nothing, QUICK, seed=seed)
        )
    return resolution_map(car, point, nothing, QUICK, seed=seed)
