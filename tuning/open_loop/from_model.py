"""Open-loop curves proposed from the model: base, cranking and after-start, beside the owner's own.

Where starts are tried they are searched; warmer, the base is where the model settles with its oil
behind. Nothing is applied, and targets that cannot be met are named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from controllers import curve_at
from sim import Car, with_values
from sim.linearise import settled_rpm
from tuning.notes import Note, Told
from tuning.open_loop.limits import MissedTarget, missed_targets, worse_than_now
from tuning.open_loop.search import SearchResult, StartCurves, StartTargets, falling, search_curves
from tuning.starts import (
    LEAST_CRANKING_steps,
    LEAST_EXTRA_steps,
    Need,
    PLACES_degC,
    StartResult,
    STARTS_degC,
    USUAL_FADE_s,
    needs,
    start_results,
)

WARM_degC = (*PLACES_degC[len(STARTS_degC) :], 70.0, 90.0)
FRESH_SEEDS = (101, 102, 103, 104, 105, 106)


@dataclass(frozen=True)
class ProposedPoint(Told):
    """The curves at one temperature, now and proposed."""

    coolant_degC: float
    target_rpm: float
    base_now_steps: float
    base_steps: float
    cranking_now_steps: float
    cranking_steps: float
    after_now_steps: float
    after_steps: float
    reached: bool


@dataclass(frozen=True)
class BaseProposal(Told):
    """Curves proposed from the model, and how starts go with the owner's and with these."""

    TOLD = ("car", "targets", "points", "missed", "worse", "valve_faults")

    car: str
    points: tuple[ProposedPoint, ...]  # from cold to warm
    now: tuple[StartResult, ...]  # starts without feedback at the cold temperatures, worst of several
    proposed: tuple[StartResult, ...]  # the same with these curves
    targets: StartTargets  # what was aimed at
    missed: tuple[MissedTarget, ...] = ()  # targets that the proposed curves do not meet, and why
    worse: tuple[Note, ...] = ()  # where a start is farther from a target than with the owner's
    fade_now_s: float = 0.0
    fade_s: float = 0.0
    finer: int | None = None  # temperatures at which moves of 1 step meet all targets; None: not asked
    valve_faults: tuple[Note, ...] = ()  # checks that the valve fails: no curve helps it

    @property
    def met(self) -> int:
        """At how many temperatures starts meet all targets with the proposed curves [-]."""
        return sum(self.targets.met(one) for one in self.proposed)

    def curves(self) -> dict[str, Any]:
        """The proposed curves in the form of a car file's table [curves].

        ``base_steps``, ``cranking_steps``, ``after_start_steps``, ``after_start_fade_s``.
        """
        return {
            "base_steps": [[p.coolant_degC, p.base_steps] for p in self.points],
            "cranking_steps": [[p.coolant_degC, p.cranking_steps] for p in self.points],
            "after_start_steps": [[p.coolant_degC, p.after_steps] for p in self.points],
            "after_start_fade_s": self.fade_s,
        }

    def _told(self) -> dict[str, Any]:
        told = {"source": "model", "curves": self.curves(), "starts_now": self.now}
        return told | {"starts_proposed": self.proposed, "met_with_minimum_move_1": self.finer}

    def lines(self) -> list[Note]:
        """The verdict, then curves, starts, targets missed and why, and what is worse than now."""
        flare, dip, speed = (self.targets.wanted(name) for name in ("flare", "dip", "stable"))
        told = [*self.verdict(), Note("open_loop.targets", flare=flare, dip=dip, speed=speed)]
        told += [
            Note("open_loop.point", at_degC=p.coolant_degC, base_now=p.base_now_steps,
                 base=p.base_steps, cranking_now=p.cranking_now_steps, cranking=p.cranking_steps,
                 after_now=p.after_now_steps, after_steps=p.after_steps, reached=p.reached)
            for p in self.points
        ]  # fmt: skip
        told += [
            Note("open_loop.starts", start_degC=new.coolant_degC, now=old.told(), then=new.told())
            for old, new in zip(self.now, self.proposed, strict=True)
        ]
        return [*told, *(one.told() for one in self.missed), *self.worse]

    def verdict(self) -> list[Note]:
        """At how many temperatures starts meet all targets.

        Where they do, then that after-start air fades otherwise, and what a smaller minimum move would do.
        """
        told = Note(
            "open_loop.verdict", car=self.car, faults=self.valve_faults, met=self.met,
            of=len(self.proposed), were=sum(self.targets.met(one) for one in self.now),
            fails=sum(not one.runs for one in self.proposed), worse=len(self.worse),
        )  # fmt: skip
        notes = [told]
        if self.fade_s != self.fade_now_s:
            notes.append(Note("open_loop.fading", now=self.fade_now_s, fade_s=self.fade_s))
        if self.finer is not None:
            more = self.finer > self.met
            notes.append(Note("open_loop.finer", met=self.finer, of=len(self.proposed), more=more))
        return notes


def base_from_model(
    car: Car, targets: StartTargets | None = None, *, seed: int = 0,
    on_progress: Callable[[float], object] | None = None,
) -> BaseProposal:  # fmt: skip
    """Propose base, cranking and after-start curves from the model.

    Parameters
    ----------
    car : Car
        The car; its target speeds are kept.
    targets : StartTargets, optional
        What a start should be like.
    seed : int
        Added to the seeds of all starts.
    on_progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    BaseProposal, to stand beside the owner's curves; never applied
    """
    from tuning.checks import valve_checks

    aims = targets or StartTargets()
    settled = [_base(car, degC)[0] for degC in (*STARTS_degC, *WARM_degC)]
    some = needs(car, (0.0, USUAL_FADE_s[1]), seed)
    # Settled positions stand where no run came.
    bases = [np.where(np.isfinite(b := one.base_steps), b, settled[: len(PLACES_degC)]) for one in some]
    some = [replace(one, base_steps=base) for one, base in zip(some, bases, strict=True)]
    starts = _starting_cranking(car, aims, seed)
    warm = _warm(some[0], car, settled[-2:])
    tell = on_progress or (lambda _share: None)
    found = search_curves(car, some, warm, aims, seed, None, starts, lambda share: tell(0.6 * share))
    faults = tuple(one.name for one in valve_checks(car) if one.verdict == "fail")
    proposal = replace(_proposal(car, aims, some, found, seed), valve_faults=faults)
    if not proposal.missed or faults or car.feedback.min_move_steps == 1:
        return proposal
    # What the engine needs has nothing to do with how the valve is moved.
    single = with_values(car, {"feedback": {"min_move_steps": 1}})
    warm = _warm(some[0], single, settled[-2:])
    same_fade = [one for one in some if one.fade_s == found.curves.fade_s] or some[:1]
    finer = search_curves(
        single, same_fade, warm, aims, seed, found.moves, starts, lambda share: tell(0.6 + 0.4 * share)
    )
    return replace(proposal, finer=_proposal(single, aims, some, finer, seed).met)


def _starting_cranking(car: Car, aims: StartTargets, seed: int) -> list[float]:
    """The owner's cranking curve where it starts the engine well: that is not to be lowered."""
    seeds = [seed + one for one in FRESH_SEEDS]
    (own,) = start_results([car], STARTS_degC, seeds, aims.stable_s, None)
    well = [one.runs and one.flare_rpm <= aims.flare_rpm for one in own]
    cranking = [round(curve_at(car.curves.cranking_steps, degC)) for degC in STARTS_degC]
    return [float(steps * good) for steps, good in zip(cranking, well, strict=True)]


def _proposal(
    car: Car, aims: StartTargets, some: Sequence[Need], found: SearchResult, seed: int
) -> BaseProposal:
    """Start the car with the curves found and with its own, on chances of their own."""
    limit = float(car.valve.open_limit_steps)
    need = some[0].base_steps[: len(STARTS_degC)] + some[0].after_steps  # just after a start
    proposal = BaseProposal(
        car.name, _points(car, found.curves, need), (), (), aims,
        fade_now_s=car.curves.after_start_fade_s, fade_s=found.curves.fade_s,
    )  # fmt: skip
    seeds = [seed + one for one in FRESH_SEEDS]
    cars = [car, with_values(car, {"curves": proposal.curves()})]
    now, proposed = start_results(cars, STARTS_degC, seeds, aims.stable_s, found.moves)
    return replace(
        proposal, now=now, proposed=proposed,
        missed=missed_targets(proposed, found.tried, aims, need, limit, _above_rpm(car, need)),
        worse=worse_than_now(now, proposed, aims),
    )  # fmt: skip


def _warm(need: Need, car: Car, hotter: Sequence[float]) -> tuple[tuple[float, float], ...]:
    """The base curve where no start is tried; warming, half of what a falling one stays above it is off."""
    held = 0.5 * (car.feedback.min_move_steps - 1)
    warming = [np.floor(max(one - held, 0.0)) for one in need.base_steps[len(STARTS_degC) :]]
    lower = falling([*warming, *np.rint(hotter)])
    return tuple(zip(WARM_degC, lower, strict=True))


def _points(car: Car, found: StartCurves, need: Any) -> tuple[ProposedPoint, ...]:
    """Own and proposed curves, from the coldest start to warm."""
    limit = float(car.valve.open_limit_steps)
    warm = [steps for _, steps in found.warm]
    base = falling([*found.base, *warm])
    own = [round(curve_at(car.curves.cranking_steps, degC)) for degC in WARM_degC]
    least = [
        min(max(steps + LEAST_EXTRA_steps, LEAST_CRANKING_steps, mine), limit)
        for steps, mine in zip(warm, own, strict=True)
    ]
    crank = falling([*found.cranking, *least])
    after = falling([*found.after, *[found.after[-1]] * len(warm)])
    reached = [*(need <= limit), *(_base(car, degC)[1] for degC in WARM_degC)]
    curves = car.curves
    return tuple(
        ProposedPoint(
            degC, curve_at(curves.target_rpm, degC), curve_at(curves.base_steps, degC), base[i],
            curve_at(curves.cranking_steps, degC), crank[i],
            curve_at(curves.after_start_steps, degC), after[i], bool(reached[i]),
        )
        for i, degC in enumerate((*STARTS_degC, *WARM_degC))
    )  # fmt: skip


def _above_rpm(car: Car, need: Any) -> list[float]:
    """Worth of the steps by which the valve may stay above a falling curve, at each start [rpm]."""
    above = float(car.feedback.min_move_steps - 1)
    limit = float(car.valve.open_limit_steps)
    worth = []
    for coolant_degC, steps in zip(STARTS_degC, np.clip(need, 0.0, limit), strict=True):
        there = [steps, min(steps + above, limit)]
        low, high = settled_rpm(car, there, coolant_degC, ambient_degC=coolant_degC)
        worth.append(float(high - low))
    return worth


def _base(car: Car, coolant_degC: float) -> tuple[float, bool]:
    """Whole steps nearest the target with oil as cold as a start leaves it, and whether it is reached."""
    from sim.estimates import OIL_BEHIND_K

    steps = np.arange(float(car.valve.open_limit_steps) + 1.0)
    behind = 0.0 if car.sensors.temperature_of == "oil" else curve_at(OIL_BEHIND_K, coolant_degC)
    settled = settled_rpm(car, steps, coolant_degC - behind)
    target = curve_at(car.curves.target_rpm, coolant_degC)
    above = np.flatnonzero(settled >= target)
    if not above.size:
        return float(steps[-1]), False
    first = int(above[0])
    if first > 0 and target - settled[first - 1] < settled[first] - target:
        first -= 1
    return float(steps[first]), True
