"""Chance of hunting, what one change does to it, and a coarse map, quick enough to follow sliders."""

from __future__ import annotations

from dataclasses import dataclass

from controllers import law_of
from sim import Car
from tuning.explanation.ablation import AblationRow, ablation, held_floor, held_still, is_explained
from tuning.explanation.cycle import STARTS_rpm
from tuning.explanation.ends import Phases, ends_of, even_phases, run_phases, without_scatter
from tuning.explanation.map import QUICK, HuntingMap, gain_map, resolution_map
from tuning.explanation.switches import suggested_settings, switches
from tuning.explanation.verdict import quiet_note
from tuning.loop import IdlePoint, idle_point, linear_view
from tuning.measures import chance_over
from tuning.notes import Note

PHASES = 24  # Places between two positions of the valve that a run may start from.


@dataclass(frozen=True, eq=False)
class StartChance:
    """How often a car hunts, from wherever it may start."""

    told: Note  # in one sentence
    point: IdlePoint | None = None  # where it idles; None where no valve position gives the target
    phases: Phases | None = None  # starting conditions
    hunts: bool = False  # whether it does, and whether any run with scatter does
    may_hunt: bool = False
    stalled_share: float = 0.0  # share of starting conditions from which it stalls, with scatter
    share: float = 1.0  # with scatter: share of runs that hunt; mean swing and moves of all of them
    swing_rpm: float = float("nan")
    moves_per_min: float = float("nan")


def hunting_chance(car: Car, coolant_degC: float, seed: int) -> StartChance:
    """Run the car from many places between two positions of the valve.

    Parameters
    ----------
    car, coolant_degC, seed : Car, float, int
        Coolant temperature [degC]; first seed of the scatter.

    Returns
    -------
    StartChance
        By the runs that ``explain`` makes too.
    """
    point = idle_point(car, coolant_degC)
    if point is None:
        return StartChance(Note("explanation.chance.no_position"))
    phases = even_phases(car, point, PHASES)
    ends = ends_of(
        run_phases([without_scatter(car)], phases, coolant_degC=coolant_degC, offsets_rpm=STARTS_rpm)
    )
    stalled = float(ends.stalled.mean())
    if stalled > 0.0:
        told = Note("explanation.chance.stalls", stalling=int(ends.stalled.sum()), runs=ends.stalled.size)
        return StartChance(told, point, phases, ends.chance > 0.0, ends.chance > 0.0, stalled)
    noisy, held = held_floor([car, held_still(car)], phases, coolant_degC, seed)
    chance = chance_over(noisy.of, held.mean("hunting_rpm"))
    quiet = quiet_note(ends.chance, ends.hunting.size, ends.mean_swing_rpm, ends.usual_period_s)
    told = Note("explanation.headline.chance", chance=chance.text, quiet=quiet)
    hunts, means = is_explained(chance, ends.chance), map(noisy.mean, ("hunting_rpm", "moves_per_min"))
    return StartChance(told, point, phases, hunts, chance.hunting > 0, 0.0, chance.share, *means)


def what_ifs(car: Car, chance: StartChance, seed: int) -> list[tuple[Car, AblationRow]]:
    """What one change at a time does to the swing, in the runs by which the car itself is judged.

    Parameters
    ----------
    car, chance, seed : Car, StartChance, int
        First seed of the scatter.

    Returns
    -------
    list of (Car, AblationRow)
        Each changed car with its row, the car as it is first; empty where it has no idle.
    """
    point, phases = chance.point, chance.phases
    if point is None or phases is None:
        return []
    (held,) = held_floor([held_still(car)], phases, point.coolant_degC, seed)
    suggested = suggested_settings(car, point, held.mean("scatter_rms_rpm"))
    changed = switches(car, linear_view(car, point, quick=True), suggested)
    rows = ablation(changed, held, point, phases, seed).rows
    return [(one.car, row) for one, row in zip(changed, rows, strict=True)]


def hunting_map(car: Car, chance: StartChance, kind: str, seed: int) -> HuntingMap | None:
    """The coarse hunting map of two settings.

    Parameters
    ----------
    car, chance, kind, seed : Car, StartChance, str, int
        "gains" for gain against integral, else minimum move against deadband; first seed of the scatter.

    Returns
    -------
    HuntingMap or None
        None where there is nothing to map: no feedback, no gains, or an engine that swings by itself.
    """
    point = chance.point
    if not car.feedback.acts or point is None or not point.plant.is_stable():
        return None
    if kind == "gains" and not law_of(car.feedback).has_gains:
        return None
    return (gain_map if kind == "gains" else resolution_map)(car, point, {}, QUICK, seed=seed)
