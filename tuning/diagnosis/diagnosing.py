"""From a log alone: is it hunting, how large and how fast, and what is behind it.

Time and speed are enough to begin with; each further signal answers more, and what the log cannot
tell is said, with what would decide it.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from sim import Car
from tuning.diagnosis.beside import (
    beyond_finding,
    load_finding,
    scatter_finding,
    spark_finding,
    still_finding,
)
from tuning.diagnosis.hunting import NO, OPEN, YES, Finding, hunting_finding
from tuning.diagnosis.valve import base_finding, direction_finding, limit_finding, position_findings
from tuning.log_events import (
    HotPart,
    Segment,
    Swing,
    WarmUp,
    driven_share,
    find_segments,
    hot_part,
    idle_rows,
    mended,
    read_swing,
    valve_moves,
    warm_up,
)
from tuning.logs import Log
from tuning.notes import Note, Told


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


CAUSES = (
    ("wrong direction", "wrong direction"), ("spark fights", "spark"), ("leak", "leak"),
    ("lost position", "lost position"), ("hunting", "hunting"),
    ("swings with the valve still", "not the valve"), ("load cycling", "load cycling"),
    ("valve chases scatter", "scatter"), ("at a limit", "limit"),
)  # fmt: skip
"""Findings that explain an idle, the weightiest first, each with its short name."""
DRIVEN_SHARE = 0.02  # Driving that takes less of the log is not told [-].


@dataclass(frozen=True)
class Diagnosis(Told):
    """What a log tells about an idle.

    Attributes
    ----------
    file : str
        The log.
    cause : str
        What is behind it: ``quiet``, ``hunting``, ``scatter``, ``spark``, ``leak``, ``lost position``,
        ``wrong direction``, ``load cycling``, ``not the valve``, ``limit``, ``not decided`` or ``no idling``.
    findings : tuple of Finding
        Every question with its answer.
    hot : HotPart or None
        The engine hot and idling.
    warming : WarmUp or None
        How it warmed up.
    segments, judged, next : tuple of Segment, tuple of float, Note
        What the log is made of; beginning and end of what was judged of the swing, nan where nothing was [s];
        what to do next.
    """

    TOLD = (
        "file", "cause", "hunting", "verdict", "findings", "hot", "warming", "segments", "judged_s",
        "driven_share", "next",
    )  # fmt: skip

    file: str
    cause: str
    findings: tuple[Finding, ...]
    hot: HotPart | None
    warming: WarmUp | None
    segments: tuple[Segment, ...]
    judged: tuple[float, float]
    driven_share: float  # share of the log in which the engine was driven, and left out
    next: Note

    def finding(self, name: str) -> Finding:
        """One finding by its name in ``findings``."""
        return next(one for one in self.findings if one.name == name)

    @property
    def hunting(self) -> bool | None:
        """Whether it hunts; None where the log cannot tell."""
        answers = {one.name: one.answer for one in self.findings}
        return {YES: True, NO: False}.get(answers.get("hunting", OPEN))

    @property
    def verdict(self) -> Note:
        """What is behind it."""
        if self.cause == "no idling":
            return Note("diagnosis.no_idling", driven_percent=100.0 * self.driven_share)
        name = {short: finding for finding, short in CAUSES}.get(self.cause, "hunting")
        return Note("diagnosis.verdict", cause=self.cause, why=self.finding(name).note)

    def lines(self) -> list[Note]:
        """Tell the diagnosis.

        Returns
        -------
        list of Note, the verdict first, what to do next last
        """
        rows = [self.verdict]
        if np.isfinite(self.judged[0]):
            rows.append(Note("diagnosis.judged", from_s=self.judged[0], to_s=self.judged[1]))
        if self.driven_share > DRIVEN_SHARE:
            rows.append(Note("diagnosis.driven", driven_percent=100.0 * self.driven_share))
        if self.hot is not None:
            rows.append(Note("diagnosis.hot", **asdict(self.hot)))
        if self.warming is not None:
            rows.append(Note("diagnosis.warming", **asdict(self.warming)))
        told = rows[0]["why"] if self.cause != "no idling" else None
        rows += [
            Note("diagnosis.open_question", name=one.name, why=one.note) if one.answer == OPEN
            else Note("diagnosis.finding", name=one.name, answer=one.answer, why=one.note)
            for one in sorted(self.findings, key=lambda one: one.answer == OPEN) if one.note != told
        ]  # fmt: skip
        return [*rows, self.next]

    def _told(self) -> dict[str, Any]:
        told = {name: one and asdict(one) for name, one in (("hot", self.hot), ("warming", self.warming))}
        return told | {"judged_s": self.judged if np.isfinite(self.judged[0]) else None}


def _findings(log: Log, car: Car | None, swing: Swing | None) -> tuple[Finding, ...]:
    cycling = load_finding(log)
    hunting = hunting_finding(log, swing, cycling.answer != NO)
    still = still_finding(log, swing)
    direction = direction_finding(log, swing, car)
    lost, leak = position_findings(log, car, hunting.answer, direction.answer == YES)
    return (
        hunting, still, scatter_finding(log, swing, hunting), spark_finding(log), lost, leak, direction,
        limit_finding(log, car), cycling, base_finding(log, car), beyond_finding(log, swing, hunting, still),
    )  # fmt: skip


def diagnose(log: Log, car: Car | None = None) -> Diagnosis:
    """Tell from a log whether it hunts and what is behind it.

    Parameters
    ----------
    log : Log
        With time and rpm at least.
    car : Car, optional
        For targets, limits, base curve and the worth of a step, where the log has none.

    Returns
    -------
    Diagnosis: findings, each answered or with what would decide it
    """
    log = mended(log)
    segments, driven = find_segments(log), driven_share(log)
    hot, warming = hot_part(log), warm_up(log, car)
    nowhere = (float("nan"), float("nan"))
    if not idle_rows(log).any():
        return Diagnosis(log.file, "no idling", (), hot, warming, segments, nowhere, driven,
                         Note("diagnosis.next.record"))  # fmt: skip
    swing = read_swing(log)
    findings = _findings(log, car, swing)
    answers = {one.name: one.answer for one in findings}
    plain = "not decided" if answers["hunting"] == OPEN else "quiet"
    cause = next((short for name, short in CAUSES if answers[name] == YES), plain)
    judged = nowhere if swing is None else (swing.from_s, swing.to_s)
    return Diagnosis(log.file, cause, findings, hot, warming, segments, judged, driven,
                     next_step(log, cause, swing, car))  # fmt: skip
