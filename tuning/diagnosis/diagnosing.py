"""From a log alone: is it hunting, how large and how fast, and what is behind it.

Time and speed are enough to begin with; each further signal answers more, and what the log cannot
tell is said, with what would decide it.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from sim import Car
from tuning.diagnosis.findings import (
    NO,
    OPEN,
    YES,
    Finding,
    hunting_finding,
    load_finding,
    scatter_finding,
    spark_finding,
    still_finding,
)
from tuning.diagnosis.valve import (
    base_finding,
    direction_finding,
    limit_finding,
    position_findings,
)
from tuning.log_events import (
    HotPart,
    Segment,
    WarmUp,
    find_segments,
    hot_part,
    idle_rows,
    mended,
    read_swing,
    warm_up,
)
from tuning.logs import Log

CAUSES = (
    ("wrong direction", "wrong direction"),
    ("spark fights", "spark"),
    ("leak", "leak"),
    ("lost position", "lost position"),
    ("hunting", "hunting"),
    ("swings with the valve still", "not the valve"),
    ("load cycling", "load cycling"),
    ("valve chases scatter", "scatter"),
    ("at a limit", "limit"),
)
"""Findings that explain an idle, the weightiest first, each with its short name."""


@dataclass(frozen=True)
class Diagnosis:
    """What a log tells about an idle.

    Attributes
    ----------
    file : str
        The log.
    cause : str
        What is behind it: ``quiet``, ``hunting``, ``scatter``, ``spark``, ``leak``, ``lost
        position``, ``wrong direction``, ``load cycling``, ``not the valve``, ``limit``, ``not
        decided`` or ``no idling``.
    findings : tuple of Finding
        Every question with its answer.
    hot : HotPart or None
        The engine hot and idling.
    warming : WarmUp or None
        How it warmed up.
    segments : tuple of Segment
        What the log is made of.
    """

    file: str
    cause: str
    findings: tuple[Finding, ...]
    hot: HotPart | None
    warming: WarmUp | None
    segments: tuple[Segment, ...]

    def finding(self, name: str) -> Finding:
        """One finding by name.

        Parameters
        ----------
        name : str
            As in ``findings``.

        Returns
        -------
        Finding
            The answer.
        """
        return next(one for one in self.findings if one.name == name)

    @property
    def hunting(self) -> bool | None:
        """Whether it hunts; None where the log cannot tell."""
        answers = {one.name: one.answer for one in self.findings}
        return {YES: True, NO: False}.get(answers.get("hunting", OPEN))

    @property
    def open_questions(self) -> tuple[Finding, ...]:
        """What the log cannot tell, each with what would decide it."""
        return tuple(one for one in self.findings if one.answer == OPEN)

    def lines(self) -> list[str]:
        """The diagnosis in words.

        Returns
        -------
        list of str
            The verdict first.
        """
        rows = [_verdict(self)]
        if self.hot is not None:
            pressure = ""
            if np.isfinite(self.hot.mean_map_kPa):
                pressure = f", manifold {self.hot.mean_map_kPa:.0f} kPa"
            rows.append(
                f"hot part ({self.hot.from_s:.0f} to {self.hot.to_s:.0f} s): "
                f"{self.hot.mean_rpm:.0f} rpm, scatter {self.hot.scatter_rpm:.1f} rpm{pressure}"
            )
        if self.warming is not None:
            rows.append(
                f"warm-up from {self.warming.from_degC:.0f} to {self.warming.to_degC:.0f} degC:"
                f" time constant {self.warming.time_constant_s:.0f} s towards"
                f" {self.warming.end_degC:.0f} degC"
            )
        rows += [
            f"{one.name}: {one.answer}. {_sentence(one.text)}"
            for one in self.findings
            if one.answer != OPEN and one.text.lower() not in rows[0].lower()
        ]
        rows += [
            f"{one.name}: this log cannot tell. {_sentence(one.text)}"
            for one in self.open_questions
        ]
        return rows

    def to_dict(self) -> dict[str, Any]:
        """Give the diagnosis as plain values, ready for JSON.

        Returns
        -------
        dict
            Cause, findings, hot part, warm-up and segments.
        """
        hot = None if self.hot is None else asdict(self.hot)
        if hot is not None and not np.isfinite(hot["mean_map_kPa"]):
            hot["mean_map_kPa"] = None
        return {
            "file": self.file,
            "cause": self.cause,
            "hunting": self.hunting,
            "verdict": _verdict(self),
            "findings": [one.to_dict() for one in self.findings],
            "hot": hot,
            "warming": None if self.warming is None else asdict(self.warming),
            "segments": [one.to_dict() for one in self.segments],
        }


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _verdict(diagnosis: Diagnosis) -> str:
    """The first line: what is behind it."""
    if diagnosis.cause == "no idling":
        return "The log has no idling to judge."
    name = {short: finding for finding, short in CAUSES}.get(diagnosis.cause)
    if diagnosis.cause == "hunting":
        return _sentence(diagnosis.finding("hunting").text)
    if name is not None:
        return f"{diagnosis.cause.capitalize()}: {diagnosis.finding(name).text}."
    hunting = diagnosis.finding("hunting")
    if hunting.answer == OPEN:
        return f"Not decided: {hunting.text}."
    return f"Quiet: {hunting.text}."


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
    Diagnosis
        Findings, each answered or with what would decide it.
    """
    log = mended(log)
    segments = find_segments(log)
    hot, warming = hot_part(log), warm_up(log, car)
    if not idle_rows(log).any():
        return Diagnosis(log.file, "no idling", (), hot, warming, segments)
    swing = read_swing(log)
    cycling = load_finding(log)
    hunting = hunting_finding(log, swing, cycling.answer == YES)
    lost, leak = position_findings(log, car)
    findings = (
        hunting,
        still_finding(log, swing),
        scatter_finding(swing, hunting.answer == YES),
        spark_finding(log),
        lost,
        leak,
        direction_finding(log, swing),
        limit_finding(log, car),
        cycling,
        base_finding(log, car),
    )
    answers = {one.name: one.answer for one in findings}
    plain = "not decided" if answers["hunting"] == OPEN else "quiet"
    cause = next((short for name, short in CAUSES if answers[name] == YES), plain)
    return Diagnosis(log.file, cause, findings, hot, warming, segments)


__all__ = ["CAUSES", "Diagnosis", "Finding", "diagnose"]
