"""Settings that stand beside those found: none, the present ones, a rule's, and one plain set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controllers import Feedback
from sim import Car, equilibrium, with_values
from tuning.ensemble import BASE_ERROR_steps
from tuning.explanation import suggested_settings
from tuning.loop import WARM_degC, base_position, usual_idle
from tuning.notes import Note, plain
from tuning.search.entry_form import as_entered
from tuning.search.objective import Score
from tuning.search.space import steps_for, warm_target_rpm

OPEN_LOOP, PRESENT, RULE, PLAIN, FOUND = "open_loop", "present", "rule", "plain", "found"
NAMES = (OPEN_LOOP, PRESENT, RULE, PLAIN, FOUND)
PLAIN_SET: Mapping[str, Any] = {
    "law": "pi",
    "gain_steps_per_100rpm": 2.0,
    "integral_steps_per_100rpm_s": 4.0,
    "derivative_steps_s_per_100rpm": 0.0,
    "deadband_rpm": 40.0,
    "min_move_steps": 1,
    "update_period_ms": 200.0,
}
"""The dullest settings that do on most engines: whatever is found has to beat them."""


@dataclass(frozen=True)
class Compared:
    """One set of settings on the fresh cars."""

    name: str
    settings: Feedback
    score: Score

    def to_dict(self) -> dict[str, Any]:
        """Give the row as plain values."""
        one = self.score
        told = {"name": self.name, "settings": self.settings, "score": one.total, **one.measured}
        return {**plain(told), "weighted": plain(one.terms), "acceptance": plain(one.acceptance)}


def known_settings(car: Car, kept: frozenset[str], scatter_rpm: float) -> dict[str, Feedback]:
    """The sets that are known before a search, by name; what is kept stays in each."""
    own = {key: getattr(car.feedback, key) for key in kept}
    present = car.feedback

    def entered(values: Mapping[str, Any]) -> Feedback:
        return as_entered(car, present.model_copy(update={**values, **own})).model_copy(update=own)

    found = {OPEN_LOOP: present.model_copy(update={"law": "none"}), PRESENT: present}
    with_feedback = with_values(car, {"feedback": {"law": "pi"}})
    point = usual_idle(with_feedback)
    by_rule = {} if point is None else suggested_settings(with_feedback, point, scatter_rpm)
    if by_rule:
        found[RULE] = entered(by_rule)
    return {**found, PLAIN: entered(PLAIN_SET)}


def better(rows: Mapping[str, Score]) -> str:
    """Which settings are proposed: those found only where they beat all the others."""
    return min(rows, key=lambda name: (*rows[name].order, name == FOUND))


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
