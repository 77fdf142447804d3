"""What has to be said before a search: a base curve that trim should not have to make up for."""

from __future__ import annotations

from collections.abc import Mapping

from sim import Car, equilibrium
from tuning.ensemble import BASE_ERROR_steps
from tuning.loop import WARM_degC, base_position
from tuning.notes import Note
from tuning.search.compared import FOUND, OPEN_LOOP
from tuning.search.objective import Score
from tuning.search.space import steps_for, warm_target_rpm


def base_notes(car: Car) -> tuple[Note, ...]:
    """Say how far the warm base curve is off, where that is more than 3 steps."""
    base, target = base_position(car), warm_target_rpm(car)
    off_steps = steps_for(car, target, 0.0) - base
    if abs(off_steps) <= BASE_ERROR_steps:
        return ()
    idles_rpm = equilibrium(car, base, WARM_degC)["rpm"]
    return (
        Note(
            "search.base.off", base_steps=base, needed_steps=base + off_steps,
            idles_rpm=float(idles_rpm), target_rpm=target, carried_steps=BASE_ERROR_steps,
        ),
    )  # fmt: skip


def acceptance_notes(proposed: str, scores: Mapping[str, Score]) -> tuple[Note, ...]:
    """Say where what is proposed is not what was found, or is not acceptable, and by what."""
    found: list[Note] = []
    if proposed != FOUND:
        found.append(
            Note(
                "search.proposed", proposed=proposed, score_rpm=scores[proposed].total,
                found_rpm=scores[FOUND].total, found_met=scores[FOUND].acceptance.is_met,
            )
        )  # fmt: skip
    accepted = scores[proposed].acceptance
    if not accepted.is_met and proposed != OPEN_LOOP:
        failing = {name: 100.0 * share for name, share in accepted.failing.items()}
        found.append(
            Note(
                "search.not_acceptable", failing_percent=100.0 * accepted.failing_share,
                stalls_percent=failing["stalls"], not_back_percent=failing["not_back"],
                error_percent=failing["error"], limited_percent=failing["limited"],
            )
        )  # fmt: skip
    return tuple(found)
