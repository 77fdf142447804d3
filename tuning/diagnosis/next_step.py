"""From the log to the next step: what the log shows of the settings, and the one thing to do."""

from __future__ import annotations

import numpy as np

from sim import Car
from tuning.log_events import Swing, valve_moves
from tuning.logs import Log
from tuning.notes import Note


def next_step(log: Log, cause: str, swing: Swing | None, car: Car | None) -> Note:
    """What to do next, and where the log shows other settings than the car file, that first."""
    if cause == "hunting":
        move = smallest_move_steps(log, swing)
        if car is not None and np.isfinite(move) and move < car.feedback.min_move_steps - 0.5:
            return Note("diagnosis.next.other_settings", move_steps=move,
                        file_steps=float(car.feedback.min_move_steps))  # fmt: skip
        return Note("diagnosis.next.explain") if car is not None else Note("diagnosis.next.new")
    if cause in {"lost position", "wrong direction", "limit"}:
        return Note("diagnosis.next.check")
    if cause == "quiet":
        return Note("diagnosis.next.quiet")
    if cause in {"not decided", "no idling"}:
        return Note("diagnosis.next.record")
    return Note("diagnosis.next.hold")


def smallest_move_steps(log: Log, swing: Swing | None) -> float:
    """Smallest move seen several times in what was judged, nan where there are too few [steps]."""
    if swing is None:
        return float("nan")
    moves = valve_moves(log)
    inside = moves[(moves[:, 0] >= swing.from_s) & (moves[:, 0] <= swing.to_s)]
    sizes = np.sort(np.abs(inside[:, 2] - inside[:, 1]))
    return float(sizes[2]) if sizes.size >= 5 else float("nan")
