"""Why it hunts, or why it does not: views of theory, simulation, and the proof by switching off."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from controllers import law_of
from sim import Car, InputError, Problem
from tuning.explanation.ablation import Ablation, AblationRow, ablation, held_floor, held_still
from tuning.explanation.bound import bound_rows
from tuning.explanation.causes import Cause, Findings, best_row, causes_of
from tuning.explanation.cycle import cycle_view
from tuning.explanation.ends import Phases, even_phases
from tuning.explanation.map import QUICK, USUAL, HuntingMap, gain_map, resolution_map
from tuning.explanation.resolution import ResolutionView, resolution_view
from tuning.explanation.story import Story, tell_cycle
from tuning.explanation.switches import suggested_settings, switches
from tuning.explanation.verdict import verdict
from tuning.loop import IdlePoint, LinearView, WARM_degC, idle_point, linear_view
from tuning.notes import Note, Told

PHASES, QUICK_PHASES = 24, 12  # Starting phases of the runs that prove the cause.

Progress = Callable[[float, str], None]


@dataclass(frozen=True, eq=False)
class Explanation(Findings, Told):
    """Why a car's warm idle hunts, or why it does not: what was found, and what it comes to."""

    TOLD = (
        "name", "hunts", "hunting", "verdict", "causes", "coolant_degC", "target_rpm", "needed_steps",
        "base_steps", "settings", "suggested", "linear", "resolution", "cycle", "with_and_without",
        "floor_rpm", "scatter_rpm", "maps", "story", "bound", "seconds",
    )  # fmt: skip

    verdict: tuple[Note, ...]  # what was found, the headline first
    causes: tuple[Cause, ...]  # ranked; empty where nothing hunts
    maps: tuple[HuntingMap, ...]  # move against deadband; gain against integral; empty with feedback off
    story: Story | None  # one cycle, told; None where the valve makes none
    seconds: float  # what it took

    @property
    def hunts(self) -> bool:
        """Whether it does, with the engine's scatter; how often is ``ablation.chance``."""
        return self.ablation.hunts

    @property
    def needed_steps(self) -> float:
        """Position that the warm idle needs [steps]."""
        return self.point.needed_steps

    @property
    def base_steps(self) -> float:
        """Position that the base curve gives there [steps]."""
        return self.point.base_steps

    @property
    def ending_row(self) -> AblationRow | None:
        """The switch-off of the first cause that ends the hunting, if one does."""
        enders = [cause.key for cause in self.causes if cause.ends_it]
        return best_row(self.ablation, enders[0]) if enders else None

    def lines(self) -> list[Note]:
        """The verdict, then the cycle told; the headline first."""
        return [*self.verdict, *(self.story.lines if self.story else ())]

    def _told(self) -> dict[str, Any]:
        a, point = self.ablation, self.point
        told = {"name": self.car.name, "settings": self.car.feedback, "hunting": a.chance}
        told |= {"coolant_degC": point.coolant_degC, "target_rpm": point.target_rpm}
        return told | {"with_and_without": a.rows, "floor_rpm": a.floor_rpm, "scatter_rpm": a.scatter_rpm}


def _maps(
    car: Car, point: IdlePoint, suggested: dict[str, Any], floor_rpm: float, seed: int, quick: bool,
    tell: Progress,
) -> tuple[HuntingMap, ...]:  # fmt: skip
    if not car.feedback.acts or not point.plant.is_stable():
        return ()

    def told(begun: float, what: str, share: float) -> None:
        tell(begun + 0.25 * share, what)

    kinds = [(resolution_map, 0.35, "minimum move against deadband")]
    if law_of(car.feedback).has_gains:
        kinds.append((gain_map, 0.6, "gain against integral"))
    return tuple(
        make(
            car, point, suggested, QUICK if quick else USUAL, floor_rpm=floor_rpm, seed=seed,
            on_row=partial(told, begun, what),
        )
        for make, begun, what in kinds
    )  # fmt: skip


def _proof(
    car: Car, point: IdlePoint, linear: LinearView, phases: Phases, seed: int
) -> tuple[Ablation, ResolutionView, dict[str, Any]]:
    (held,) = held_floor([held_still(car)], phases, point.coolant_degC, seed)
    scatter_rpm = held.mean("scatter_rms_rpm")
    if not math.isfinite(scatter_rpm):  # it stalls with the valve held, from everywhere
        scatter_rpm, suggested = 0.0, {}
    else:
        suggested = suggested_settings(car, point, scatter_rpm)
    table = ablation(switches(car, linear, suggested), held, point, phases, seed)
    return table, resolution_view(car, point, phases, scatter_rpm), suggested


def explain(
    car: Car, *, seed: int = 0, quick: bool = False, on_progress: Progress | None = None
) -> Explanation:
    """Say why a car's warm idle hunts, and prove it.

    Parameters
    ----------
    car, seed, quick : Car, int, bool
        Seed of all scatter, 0 to 2**31 - 1; fewer phases, coarser maps, margins at the warm idle alone.
    on_progress : callable, optional
        Told the share done and what is being done.

    Returns
    -------
    Explanation

    Raises
    ------
    InputError
        If no valve position gives the target.
    ValueError
        If the seed is out of range.
    """
    if not 0 <= seed < 2**31:
        raise ValueError(f"seed is out of range ({seed}), allowed: 0 to {2**31 - 1}")
    tell: Progress = on_progress or (lambda _share, _text: None)
    begun = time.perf_counter()
    tell(0.0, "idle point and margins")
    point = idle_point(car, WARM_degC)
    if point is None:
        wanted = f"no valve position gives its value at {WARM_degC:g} degC"
        allowed = "a speed that the engine reaches between the valve's seat and its travel"
        raise InputError([Problem(car.name, 1, "curves.target_rpm", f"{wanted}, allowed: {allowed}")])
    linear = linear_view(car, point, quick=quick)
    tell(0.1, "each cause switched off")
    phases = even_phases(car, point, QUICK_PHASES if quick else PHASES)
    table, resolution, suggested = _proof(car, point, linear, phases, seed)
    tell(0.25, "predicted and simulated cycle")
    cycle = cycle_view(car, point, phases, table.ends, resolution.chance)
    story = tell_cycle(car, point, phases, cycle.seen, resolution.move_rpm)
    maps = _maps(car, point, suggested, table.floor_rpm, seed, quick, tell)
    tell(0.85, "load steps and the unbeatable dip")
    bound = bound_rows(car, point)
    findings = Findings(car, point, linear, resolution, cycle, table, bound, suggested)
    causes = causes_of(findings)
    told = verdict(findings, causes)
    tell(1.0, "explained")
    return Explanation(**vars(findings), verdict=told, causes=causes, maps=maps, story=story,
                       seconds=time.perf_counter() - begun)  # fmt: skip
