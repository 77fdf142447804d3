"""Which cause theory names before anything is switched off, and how the switch-off ranks them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from sim import Car
from tuning.explanation.ablation import Ablation, AblationRow
from tuning.explanation.bound import BoundRow
from tuning.explanation.cycle import CycleView
from tuning.explanation.resolution import ResolutionView
from tuning.loop import IdlePoint, LinearView
from tuning.notes import Note, Told

CAUSES = {
    "resolution": Note("explanation.cause.resolution"),
    "gains": Note("explanation.cause.gains"),
    "valve_speed": Note("explanation.cause.valve_speed"),
    "updates": Note("explanation.cause.updates"),
    "limits": Note("explanation.cause.limits"),
    "backlash": Note("explanation.cause.backlash"),
    "not_feedback": Note("explanation.cause.not_feedback"),
}
"""Names of the causes."""
_SWITCHED_BY = {
    "resolution": ("resolution",),
    "gains": ("gains",),
    "valve_speed": ("valve_speed",),
    "updates": ("quicker_updates", "slower_updates"),
    "limits": ("limits",),
    "backlash": ("backlash",),
    "not_feedback": (),
}
AT_LIMIT_SHARE = 0.3
"""A loop this long at a trim limit may be swinging because of it [-]."""
NO_PART_SHARE = 0.75
"""A cause whose switch-off leaves more of the swing than this has no part in it [-]."""
NEAR_SHARE = 0.1
"""Where nothing ends it, theory's choice stands if the best switch-off is no better by this [-]."""
ROUNDING_GAIN = 4.0 / math.pi
"""Largest gain of rounding to whole steps for a sine [-]."""
CLEAR_OF_BORDER = 1.5
"""A loop this far from swinging by itself is taken not to [-]."""
HELD_CHANCE = 0.5
"""From this share of valve-held runs that swing regularly, or stall, it is not the feedback [-]."""


@dataclass(frozen=True)
class Cause(Told):
    """One cause of the hunting."""

    key: str  # of ``CAUSES``
    name: Note
    named_first: bool  # whether theory named it first, before anything was switched off
    left_share: float  # share of the swing left when it is switched off, nan where that cannot be
    ends_it: bool  # whether switching it off ends the hunting
    number: Note
    remedy: Note  # the change that removes it
    cost: Note  # what that will cost


@dataclass(frozen=True, eq=False)
class Findings:
    """Everything a verdict is drawn from."""

    car: Car
    point: IdlePoint  # its warm idle
    linear: LinearView  # margins
    resolution: ResolutionView  # steps against deadband
    cycle: CycleView  # predicted and simulated cycle
    table: Ablation  # with and without
    bound: tuple[BoundRow, ...]  # unbeatable dips, may be empty
    suggested: dict[str, Any]  # suggested settings, may be empty


def named_by_theory(car: Car, linear: LinearView, resolution: ResolutionView, table: Ablation) -> str:
    """Key of the cause that the numbers of theory point to, before anything is switched off.

    In this order: swings or stalls with the valve still; unstable without steps, or so near that
    rounding, which answers a small swing with up to 4/pi of it, can make it so, and why; no position to
    rest; long at a limit. What is left hunts though stable and with a place to rest: a cycle that the
    moves' coarseness keeps up, which smaller steps end. Source: describing function of the mid-tread
    quantiser (Gelb & Vander Velde 1968, from memory); the order is our own.
    """
    here = linear.here
    restless = table.held_chance + table.held_stalled >= HELD_CHANCE
    if not car.feedback.acts or not here.engine_stable or restless:
        return "not_feedback"
    rests = resolution.chance == 0.0
    if here.border_multiplier < (ROUNDING_GAIN if rests else 1.0):
        if linear.border_without_valve_time >= CLEAR_OF_BORDER:
            return "valve_speed"
        if rests and linear.border_with_quick_updates >= CLEAR_OF_BORDER:
            return "updates"
        return "gains"
    if rests and table.as_is.limited_share > AT_LIMIT_SHARE:
        return "limits"
    return "resolution"


def best_row(table: Ablation, key: str) -> AblationRow | None:
    """The switch-off of a cause that leaves least, none if it was not switched off."""
    tried = [row for switch in _SWITCHED_BY[key] if (row := table.row(switch)) is not None]
    return min(tried, key=lambda row: row.left_share) if tried else None


def ranked(table: Ablation, first: str) -> list[tuple[str, AblationRow | None]]:
    """Causes that have a part in the hunting, the first cause first."""
    if first == "not_feedback":
        return [(first, table.row("feedback"))]
    rows = {key: best_row(table, key) for key in _SWITCHED_BY}
    tried = {key: row for key, row in rows.items() if row is not None}
    least = min((row.left_share for row in tried.values()), default=1.0)

    def order(key: str) -> tuple[bool, bool, float]:
        row = tried[key]
        stands = row.ends_it or row.left_share <= least + NEAR_SHARE
        return (not row.ends_it, not (key == first and stands), row.left_share)

    told = [key for key in sorted(tried, key=order) if tried[key].left_share <= NO_PART_SHARE]
    return [(key, tried[key]) for key in told]


def agrees(table: Ablation, first: str) -> bool:
    """Whether the switch-off bears out the cause that theory named first."""
    if first == "not_feedback":
        held = table.row("feedback")
        return held is None or held.left_share > 1.0 - NO_PART_SHARE or table.held_chance > 0.0
    told = ranked(table, first)
    return bool(told) and told[0][0] == first
