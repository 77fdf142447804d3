"""Settings that stand beside those found: none, the present ones, a rule's, and one plain set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controllers import Feedback
from sim import Car, with_values
from tuning.explanation import suggested_settings
from tuning.loop import usual_idle
from tuning.notes import plain
from tuning.search.entry_form import as_entered
from tuning.search.objective import Score

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
