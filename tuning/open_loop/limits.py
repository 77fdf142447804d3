"""Targets of a start that proposed curves miss, what limits them, and what gets worse than now."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tuning.notes import Note, Told
from tuning.open_loop.search import StartTargets
from tuning.starts import StartResult, STARTS_degC

STEEP_steps = 8.0  # A need that falls by more over one point of the curve is called steep [steps].
COARSE_rpm = 50.0
"""A valve that stays further above its curve than this takes half of the band of 100 rpm [rpm]."""
NOTABLE = 0.05  # A change for the worse of less than this share of a target is not told [-].


@dataclass(frozen=True)
class MissedTarget(Told):
    """A target that starts at one temperature do not meet, and what limits it."""

    coolant_degC: float
    target: str
    reached: Note
    wanted: Note
    why: tuple[Note, ...]

    def told(self) -> Note:
        """Tell it: temperature, target, what was reached, what limits it."""
        return Note(
            "open_loop.missed", start_degC=self.coolant_degC, target=self.target,
            reached=self.reached, wanted=self.wanted, why=self.why,
        )  # fmt: skip

    def _told(self) -> dict[str, Any]:
        return {"why": Note("open_loop.reasons", why=self.why)}


def value_of(name: str, one: StartResult) -> Note:
    """What a start reached of one target."""
    reached = {"flare": one.flare_rpm, "dip": one.dip_rpm}.get(name, one.late_rpm)
    # Rounded up: what misses its target by less than 1 rpm must not read as if it met it.
    whole_rpm = math.ceil(reached - 1.0e-6)
    if name in ("flare", "dip"):
        return Note("open_loop.reached", reached_rpm=whole_rpm)
    return Note("open_loop.reached.off", reached_rpm=whole_rpm)


def missed_targets(
    proposed: Sequence[StartResult], tried: Sequence[Sequence[StartResult]], aims: StartTargets, need: Any,
    open_limit_steps: float, above_rpm: Any,
) -> tuple[MissedTarget, ...]:  # fmt: skip
    """Name the targets that are missed, and what limits each."""
    missed = []
    for place, one in enumerate(proposed):
        limits = _limits(place, need, open_limit_steps)
        if above_rpm[place] > COARSE_rpm:
            limits.append(Note("open_loop.coarse", above_rpm=float(above_rpm[place])))
        if not one.runs:
            why = (Note("open_loop.never_starts"), *limits)
            stalls, runs = Note("open_loop.reached.stalls"), Note("open_loop.wanted.runs")
            missed.append(MissedTarget(one.coolant_degC, "running", stalls, runs, why))
            continue
        column = [row[place] for row in tried if row[place].runs]
        for name, ratio in aims.ratios(one).items():
            if ratio <= 1.0:
                continue
            why = (_trade(name, column, aims), *limits)
            wanted = aims.wanted(name)
            missed.append(MissedTarget(one.coolant_degC, name, value_of(name, one), wanted, why))
    return tuple(missed)


def _limits(place: int, need: Any, open_limit_steps: float) -> list[Note]:
    """What of the valve and of the curve's form stands in the way at one temperature."""
    told = []
    if need[place] > open_limit_steps:
        told.append(Note("open_loop.limit", need_steps=float(need[place]), limit=open_limit_steps))
    falls = float(need[place] - need[place + 1]) if place + 1 < len(STARTS_degC) else 0.0
    if falls > STEEP_steps:
        over_K = STARTS_degC[place + 1] - STARTS_degC[place]
        told.append(Note("open_loop.steep", falls_steps=falls, over_K=over_K))
    return told


def _trade(name: str, column: Sequence[StartResult], aims: StartTargets) -> Note:
    """What the curves tried say: none meets it, or only at the cost of another target."""
    if not column:
        return Note("open_loop.never_starts")
    nearest = min(column, key=lambda one: aims.ratios(one)[name])
    if aims.ratios(nearest)[name] > 1.0:
        return Note("open_loop.best_tried", tried=len(column), reached=value_of(name, nearest))
    meeting = [one for one in column if aims.ratios(one)[name] <= 1.0]
    best = min(meeting, key=lambda one: max(aims.ratios(one).values()))
    others = aims.ratios(best)
    worst = max(others, key=lambda key: others[key])
    if others[worst] <= 1.0:
        return Note("open_loop.met_alone")
    return Note("open_loop.traded", target=worst, reached=value_of(worst, best))


def worse_than_now(
    now: Sequence[StartResult], proposed: Sequence[StartResult], aims: StartTargets
) -> tuple[Note, ...]:
    """Tell where proposed curves do worse on a target than the owner's own."""
    told = []
    for old, new in zip(now, proposed, strict=True):
        at = new.coolant_degC
        if old.runs and not new.runs:
            told.append(Note("open_loop.worse", start_degC=at, what=Note("open_loop.worse.stalls")))
        if not (old.runs and new.runs):
            continue
        before, after = aims.ratios(old), aims.ratios(new)
        parts = tuple(
            Note("open_loop.worse.target", target=name, new=value_of(name, new),
                 old=value_of(name, old), within=after[name] <= 1.0)
            for name in after
            if after[name] > before[name] + NOTABLE
        )  # fmt: skip
        if parts:
            told.append(Note("open_loop.worse", start_degC=at, what=parts))
    return tuple(told)
