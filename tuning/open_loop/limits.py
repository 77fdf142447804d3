"""Targets of a start that proposed curves miss, what limits them, and what gets worse than now."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tuning.open_loop.search import StartTargets
from tuning.starts import STARTS_degC

if TYPE_CHECKING:
    from tuning.starts import StartResult

STEEP_steps = 8.0
"""A need that falls by more over one point of the curve is called steep [steps]."""
COARSE_rpm = 50.0
"""A valve that stays further above its curve than this takes half of the band of 100 rpm [rpm]."""
NOTABLE = 0.05
"""A change for the worse of less than this share of a target is not told [-]."""


@dataclass(frozen=True)
class MissedTarget:
    """A target that starts at one temperature do not meet.

    Attributes
    ----------
    coolant_degC : float
        Temperature of the start [degC].
    target : str
        "runs", "flare", "dip" or "stable".
    reached, wanted : str
        What was reached and what is wanted, with units.
    why : str
        What limits it.
    """

    coolant_degC: float
    target: str
    reached: str
    wanted: str
    why: str

    def told(self) -> str:
        """Tell it in one line.

        Gives such as "start at -20 degC misses its target for dip: 143 rpm, ...".
        """
        return (
            f"start at {self.coolant_degC:.0f} degC misses its target for {self.target}:"
            f" {self.reached}, wanted {self.wanted}; {self.why}"
        )


def value_of(name: str, one: StartResult) -> str:
    """What a start reached of one target.

    Gives number and unit.
    """
    reached = {"flare": one.flare_rpm, "dip": one.dip_rpm}.get(name, one.late_rpm)
    # Rounded up: what misses its target by less than 1 rpm must not read as if it met it.
    rpm = f"{math.ceil(reached - 1.0e-6)} rpm"
    return rpm if name in ("flare", "dip") else f"up to {rpm} off"


def missed_targets(
    proposed: Sequence[StartResult],
    tried: Sequence[Sequence[StartResult]],
    aims: StartTargets,
    need: Any,
    open_limit_steps: float,
    above_rpm: Any,
) -> tuple[MissedTarget, ...]:
    """Name the targets that are missed, and what limits each.

    Gives from cold to warm.
    """
    missed = []
    for place, one in enumerate(proposed):
        limits = _limits(place, need, open_limit_steps)
        if above_rpm[place] > COARSE_rpm:
            limits.append(
                f"the minimum move leaves the valve up to {above_rpm[place]:.0f} rpm above its"
                " curve until feedback acts: a smaller one is finer"
            )
        if not one.runs:
            why = "; ".join(["no curve tried starts it every time", *limits])
            missed.append(MissedTarget(one.coolant_degC, "running", "stalls", "to run", why))
            continue
        column = [row[place] for row in tried if row[place].runs]
        for name, ratio in aims.ratios(one).items():
            if ratio <= 1.0:
                continue
            why = "; ".join([_trade(name, column, aims), *limits])
            wanted = aims.wanted(name)
            missed.append(MissedTarget(one.coolant_degC, name, value_of(name, one), wanted, why))
    return tuple(missed)


def _limits(place: int, need: Any, open_limit_steps: float) -> list[str]:
    """What of the valve and of the curve's form stands in the way at one temperature."""
    told = []
    if need[place] > open_limit_steps:
        told.append(
            f"the cold engine wants {need[place]:.0f} steps, the open limit is"
            f" {open_limit_steps:.0f}: a larger valve or a throttle stop further open while cold"
        )
    falls = need[place] - need[place + 1] if place + 1 < len(STARTS_degC) else 0.0
    if falls > STEEP_steps:
        told.append(
            f"the need falls by {falls:.0f} steps in the first"
            f" {STARTS_degC[place + 1] - STARTS_degC[place]:.0f} degrees of warming, and the curve"
            " must serve colder starts there too: feedback has to take the rest"
        )
    return told


def _trade(name: str, column: Sequence[StartResult], aims: StartTargets) -> str:
    """What the curves tried say: none meets it, or only at the cost of another target."""
    if not column:
        return "no curve tried starts it every time"
    nearest = min(column, key=lambda one: aims.ratios(one)[name])
    if aims.ratios(nearest)[name] > 1.0:
        return f"the best of {len(column)} curves tried came to {value_of(name, nearest)}"
    meeting = [one for one in column if aims.ratios(one)[name] <= 1.0]
    best = min(meeting, key=lambda one: max(aims.ratios(one).values()))
    others = aims.ratios(best)
    worst = max(others, key=lambda key: others[key])
    if others[worst] <= 1.0:
        return "a curve met it in the search, but not one that serves colder starts and chance too"
    return f"curves that meet it miss {worst} instead ({value_of(worst, best)})"


def worse_than_now(
    now: Sequence[StartResult], proposed: Sequence[StartResult], aims: StartTargets
) -> tuple[str, ...]:
    """Tell where proposed curves do worse on a target than the owner's own.

    Gives A line a temperature where anything is worse.
    """
    told = []
    for old, new in zip(now, proposed, strict=True):
        where = f"start at {new.coolant_degC:.0f} degC, worse than with your own curves:"
        if old.runs and not new.runs:
            told.append(f"{where} it does not run")
        if not (old.runs and new.runs):
            continue
        before, after = aims.ratios(old), aims.ratios(new)
        parts = [
            f"{name} {value_of(name, new)} instead of {value_of(name, old)}"
            f" ({'within' if after[name] <= 1.0 else 'beyond'} the target)"
            for name in after
            if after[name] > before[name] + NOTABLE
        ]
        if parts:
            told.append(f"{where} {', '.join(parts)}")
    return tuple(told)
