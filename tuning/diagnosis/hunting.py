"""What a finding is, and the first: whether the idle hunts, and whether the valve can have made the swing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tuning.log_events import QUICK_ENOUGH_s, Swing, still_stretches, valve_moves
from tuning.logs import Log
from tuning.measures import CANNOT_TELL, HUNTS, regular_swing
from tuning.notes import Note, Told

YES, NO, OPEN = "yes", "no", "cannot tell"


@dataclass(frozen=True)
class Finding(Told):
    """One question and its answer."""

    TOLD = ("name", "answer", "text", "values")

    name: str  # what is asked
    answer: str  # ``yes``, ``no`` or ``cannot tell``
    note: Note  # the answer told; where it cannot be, what would decide
    values: dict[str, float] = field(default_factory=dict)  # numbers behind it, names with units

    def _told(self) -> dict[str, Any]:
        return {"text": self.note}


NAME = "hunting"
SMALLEST_SWING_rpm = 20.0
FEW_MOVES = 3  # A valve that moved more often was not at rest throughout [-].


def hunting_finding(log: Log, swing: Swing | None, cycling: bool) -> Finding:
    """Ask whether the idle feedback hunts."""
    refresh_s = max(log.refresh_s.get("rpm", 0.0), 1.0 / max(log.rate_Hz, 1e-9))
    if swing is None:
        if refresh_s > QUICK_ENOUGH_s:
            return _slow_log(log, refresh_s, cycling)
        return Finding(NAME, OPEN, Note("diagnosis.hunting.no_stretch"))
    values = _values(swing)
    if log.valve_steps is None:
        return _speed_alone(swing, cycling, values)
    return _with_valve(swing, values)


def _values(swing: Swing) -> dict[str, float]:
    m = swing.measures
    names = ("hunting_rpm", "hunting_period_s", "regularity", "repeat_share", "half_swings",
             "valve_swing_rpm")  # fmt: skip
    return {name: float(getattr(m, name)) for name in names} | {
        "floor_rpm": swing.floor_rpm, "valve_share": swing.valve_share, "valve_lead_s": swing.valve_lead_s,
        "moves_per_min": swing.moves_per_min, "reversals_per_min": swing.reversals_per_min,
        "judged_from_s": swing.from_s, "judged_to_s": swing.to_s,
    }  # fmt: skip


def _speed_alone(swing: Swing, cycling: bool, values: dict[str, float]) -> Finding:
    """Speed alone tells a regular swing, and never whether the valve made it or stood still."""
    m = swing.measures
    size = {"swing_rpm": m.hunting_rpm, "period_s": m.hunting_period_s}
    if swing.regular and m.hunting_rpm > SMALLEST_SWING_rpm:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.valve_unseen", **size), values)
    if cycling:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.load_or_slow"), values)
    return Finding(NAME, OPEN, Note("diagnosis.hunting.no_swing_seen", spread_rpm=m.scatter_rms_rpm), values)


def _with_valve(swing: Swing, values: dict[str, float]) -> Finding:
    m = swing.measures
    size = {"swing_rpm": m.hunting_rpm, "period_s": m.hunting_period_s}
    between = {"between_rpm": m.valve_swing_rpm}
    if swing.by_hand:
        return Finding(NAME, NO, Note("diagnosis.hunting.settles"), values)
    if swing.hunts_elsewhere is not None:
        from_s, to_s = swing.hunts_elsewhere
        return Finding(NAME, OPEN, Note("diagnosis.hunting.partly", from_s=from_s, to_s=to_s), values)
    if swing.doubtful:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.doubtful", **size), values)
    if swing.bangs:
        told = size | {"move_steps": swing.move_size_steps}
        return Finding(NAME, YES, Note("diagnosis.hunting.bangs", **told), values)
    if swing.answer == HUNTS and swing.regular:
        return Finding(NAME, YES, Note("diagnosis.hunting.leads", **between, **size), values)
    if swing.answer == HUNTS:
        told = between | {"move_steps": swing.move_size_steps}
        return Finding(NAME, YES, Note("diagnosis.hunting.to_and_fro", **told), values)
    if swing.answer == CANNOT_TELL:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.once", **between), values)
    if regular_swing(m):
        return Finding(NAME, NO, Note("diagnosis.hunting.from_outside", **size), values)
    return Finding(NAME, NO, Note("diagnosis.hunting.irregular", **size), values)


def _slow_log(log: Log, refresh_s: float, cycling: bool) -> Finding:
    """What a log with seldom refreshed speed can say: how much speed moves at all."""
    told = {"refresh_s": refresh_s, "rate_Hz": 1.0 / max(refresh_s, 1e-9)}
    parts = still_stretches(log, 20.0)
    if cycling:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.load_or_slow"), told)
    if not parts or len(valve_moves(log)) > FEW_MOVES:  # one part at rest does not speak for the others
        return Finding(NAME, OPEN, Note("diagnosis.hunting.slow_log", **told), told)
    last = parts[-1]
    rows = slice(max(last.start, last.stop - 400), last.stop)
    line = np.polynomial.Polynomial.fit(log.time_s[rows], log.rpm[rows], 1)
    spread = float(np.std(log.rpm[rows] - line(log.time_s[rows])))
    values = {"spread_rpm": spread, "refresh_s": refresh_s}
    if spread * 2.0 * np.sqrt(2.0) >= SMALLEST_SWING_rpm:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.slow_varies", **values), values)
    if log.valve_steps is None:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.slow_steady", **values), values)
    return Finding(NAME, NO, Note("diagnosis.hunting.slow_quiet", **values), values)
