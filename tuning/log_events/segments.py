"""What a log is made of: start, idling, steady, step response, load, hunting, driving."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from tuning.log_events.load_steps import find_shifts, load_changes_s, switched
from tuning.log_events.states import (
    Floats,
    QUICK_ENOUGH_s,
    STOPPED_rpm,
    driven_rows,
    idle_rows,
    mended,
    remembered,
    running_rows,
    starting_rows,
    stretches,
)
from tuning.logs import Log
from tuning.measures import HUNTS, measure, run_answer
from tuning.notes import Note, Told

KINDS = ("stopped", "start", "driven", "idle", "steady", "step", "load", "hunting")
"""Kinds of segment: states of the engine, then what happens while it idles."""
SETTLE_s = 2.5  # Time after a move or a load that does not count as steady yet [s].
SHORTEST_STEADY_s = 3.0
LONE_s = 2.5  # A step is alone if the valve stood still for this long before it, and after it [s].
JOINED_s = 0.75  # Moves closer together than this are pieces of one [s].
STEP_LENGTH_s = 6.0
LOAD_LENGTH_s = 8.0
HUNTING_WINDOW_s = 20.0
FEWEST_REVERSALS = 4  # A valve that moves while an engine hunts reverses at least this often in a window [-].


@dataclass(frozen=True)
class Segment(Told):
    """One stretch of a log.

    Attributes
    ----------
    kind, note : str, Note
        What it shows.
    values : dict of str to float
        Numbers that belong to it, names with units.
    """

    TOLD = ("kind", "from_s", "to_s", "text", "values")

    kind: str
    from_s: float
    to_s: float
    note: Note
    values: dict[str, float] = field(default_factory=dict)

    @property
    def length_s(self) -> float:
        """Length [s]."""
        return self.to_s - self.from_s

    @property
    def text(self) -> Note:
        """The note, as it is named among plain values."""
        return self.note


def _span(log: Log, rows: slice) -> tuple[float, float]:
    return float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1])


def _states(log: Log) -> Iterable[Segment]:
    """Segments of the engine's states, idling among them."""
    stopped = log.rpm < STOPPED_rpm
    start = starting_rows(log) | (~running_rows(log) & ~stopped)
    driven = driven_rows(log) & running_rows(log) & ~start
    for rows in stretches(stopped, log.parts):
        yield Segment("stopped", *_span(log, rows), Note("log_events.segment.stopped"))
    for rows in stretches(start, log.parts):
        values = {"highest_rpm": float(np.max(log.rpm[rows]))}
        yield Segment("start", *_span(log, rows), Note("log_events.segment.start", **values), values)
    for rows in stretches(driven, log.parts):
        values = {"highest_rpm": float(np.max(log.rpm[rows]))}
        yield Segment("driven", *_span(log, rows), Note("log_events.segment.driven", **values), values)
    for rows in stretches(idle_rows(log), log.parts):
        values = {"mean_rpm": float(np.mean(log.rpm[rows]))}
        yield Segment("idle", *_span(log, rows), Note("log_events.segment.idle", **values), values)


@remembered
def valve_moves(log: Log) -> Floats:
    """Read the valve's moves: time [s], steps before, after; moving on in the same direction is one move."""
    if log.valve_steps is None:
        return np.zeros((0, 3))
    moves: list[list[float]] = []
    for row in np.flatnonzero(np.diff(log.valve_steps) != 0.0) + 1:
        at_s = float(log.time_s[row])
        before, after = float(log.valve_steps[row - 1]), float(log.valve_steps[row])
        onward = bool(moves) and (after - before) * (moves[-1][2] - moves[-1][1]) > 0.0
        if onward and at_s - moves[-1][3] < JOINED_s:
            moves[-1][2], moves[-1][3] = after, at_s
        else:
            moves.append([at_s, before, after, at_s])
    return np.array([move[:3] for move in moves]).reshape(-1, 3)


def still_stretches(log: Log, shortest_s: float = SHORTEST_STEADY_s) -> list[slice]:
    """Rows of idling with the valve at rest (or not recorded) and loads unchanged, settling time left out."""
    idle = idle_rows(log)
    marks = np.sort(np.array([*valve_moves(log)[:, 0], *load_changes_s(log)]))
    found = []
    for rows in stretches(idle, log.parts):
        first_s, last_s = _span(log, rows)
        inside = marks[(marks > first_s) & (marks < last_s)]
        edges = [first_s - SETTLE_s, *inside, last_s]
        for begin_s, end_s in pairwise(edges):
            if end_s - begin_s - SETTLE_s < shortest_s:
                continue
            first, past = np.searchsorted(log.time_s, [begin_s + SETTLE_s, end_s])
            found.append(slice(int(first), int(past)))
    return [rows for rows in found if rows.stop - rows.start >= 4]


def _steady(log: Log) -> Iterable[Segment]:
    for rows in still_stretches(log):
        values = {"mean_rpm": float(np.mean(log.rpm[rows])), "scatter_rpm": float(np.std(log.rpm[rows]))}
        for name in ("valve_steps", "map_kPa", "coolant_degC"):
            signal = getattr(log, name)
            if signal is not None:
                values[f"mean_{name}"] = float(np.mean(signal[rows]))
        note = Note("log_events.segment.steady", **values)
        yield Segment("steady", *_span(log, rows), note, values)


def _steps(log: Log) -> Iterable[Segment]:
    """Moves of the valve that stand alone, with what speed answers."""
    moves = valve_moves(log)
    idle = idle_rows(log)
    for number, (at_s, before, after) in enumerate(moves):
        since = at_s - moves[number - 1, 0] if number else np.inf
        following = moves[number + 1, 0] if number + 1 < len(moves) else float(log.time_s[-1])
        until = following - at_s
        row = int(np.searchsorted(log.time_s, at_s))
        if since < LONE_s or until < LONE_s or not idle[min(row, idle.size - 1)]:
            continue
        end_s = at_s + min(until, STEP_LENGTH_s)
        first = int(np.searchsorted(log.time_s, at_s - min(since, 2.0)))
        middle, past = np.searchsorted(log.time_s, [0.5 * (at_s + end_s), end_s], side="right")
        old, new = log.rpm[first:row], log.rpm[middle:past]
        if old.size < 2 or new.size < 2:
            continue
        change = float(np.mean(new) - np.mean(old))
        size = after - before
        worth = change / size if size != 0.0 else 0.0
        values = {"steps": size, "change_rpm": change, "rpm_per_step": worth}
        note = Note("log_events.segment.step", moved_steps=float(size), change_rpm=change)
        yield Segment("step", float(at_s), end_s, note, values)


def _loads(log: Log) -> Iterable[Segment]:
    """Loads that come and go, recorded or found by their mark."""
    last_s = float(log.time_s[-1])
    if log.load_W is not None:
        for row in np.flatnonzero(np.diff(log.load_W) != 0.0) + 1:
            change = float(log.load_W[row] - log.load_W[row - 1])
            at_s = float(log.time_s[row])
            note = Note("log_events.segment.load", change_W=change)
            end_s = min(at_s + LOAD_LENGTH_s, last_s)
            yield Segment("load", at_s, end_s, note, {"change_W": change})
        return
    for at_s, on in switched(log):
        note = Note("log_events.segment.switched_on") if on else Note("log_events.segment.switched_off")
        yield Segment("load", at_s, min(at_s + LOAD_LENGTH_s, last_s), note)
    for shift in find_shifts(log):
        values = {"change_rpm": shift.rpm}
        if np.isfinite(shift.map_kPa):
            values["change_kPa"] = shift.map_kPa
        end_s = min(shift.at_s + LOAD_LENGTH_s, last_s)
        yield Segment("load", shift.at_s, end_s, shift.note(), values)


def _may_hunt(log: Log, begin_s: float, end_s: float, disturbed_s: Floats) -> bool:
    """Whether a swing in a window could be hunting: no load in it, the valve at rest or busy."""
    if np.any((disturbed_s > begin_s - SETTLE_s) & (disturbed_s < end_s)):
        return False
    moves = valve_moves(log)
    inside = moves[slice(*np.searchsorted(moves[:, 0], [begin_s, end_s]))]
    if not len(inside):
        return True
    directions = np.sign(inside[:, 2] - inside[:, 1])
    return int(np.count_nonzero(np.diff(directions))) >= FEWEST_REVERSALS


def rpm_per_step_in(log: Log) -> float:
    """Worth of a step, median of moves that stand alone; nan where fewer than three show it [rpm/step]."""
    moves = [one.values["rpm_per_step"] for one in _steps(log)]
    worth = float(np.median(moves)) if len(moves) >= 3 else float("nan")
    return worth if worth > 0.0 else float("nan")


def _window(log: Log, begin_s: float, end_s: float) -> Log:
    """Speed and valve in a window, and before it what still holds at its beginning."""
    first, past = np.searchsorted(log.time_s, [begin_s, end_s], side="right")
    rows = slice(max(int(first) - 2, 0), int(past))
    steps = None if log.valve_steps is None else log.valve_steps[rows]
    return Log(log.file, log.time_s[rows], log.rpm[rows], valve_steps=steps)


def _hunting(log: Log) -> Iterable[Segment]:
    """Windows of idling that hunt by their regularity, neighbours joined."""
    if log.refresh_s.get("rpm", 1.0 / max(log.rate_Hz, 1e-9)) > QUICK_ENOUGH_s:
        return
    disturbed_s = np.array([one.from_s for one in _loads(log)])
    found: list[tuple[float, float, float, float]] = []
    for rows in stretches(idle_rows(log), log.parts):
        first_s, last_s = _span(log, rows)
        latest_s = last_s - HUNTING_WINDOW_s
        if latest_s < first_s:
            continue
        for begin_s in (*np.arange(first_s, latest_s, HUNTING_WINDOW_s / 2).tolist(), latest_s):
            end_s = begin_s + HUNTING_WINDOW_s
            if not _may_hunt(log, begin_s, end_s, disturbed_s):
                continue
            measured = measure(_window(log, begin_s, end_s), [("hunting", begin_s, end_s)])
            if run_answer(measured) != HUNTS:
                continue
            size, period = measured.hunting_rpm, measured.hunting_period_s
            first = begin_s
            if found and begin_s <= found[-1][1]:
                first, _, largest, _ = found.pop()
                size = max(size, largest)
            found.append((first, end_s, size, period))
    for begin_s, end_s, size, period in found:
        values = {"hunting_rpm": size, "hunting_period_s": period}
        note = Note("log_events.segment.hunting", **values)
        yield Segment("hunting", begin_s, min(end_s, float(log.time_s[-1])), note, values)


def find_segments(log: Log) -> tuple[Segment, ...]:
    """Divide a log into states of the engine and what happens while it idles, in order of time."""
    log = mended(log)
    found = [*_states(log), *_steady(log), *_steps(log), *_loads(log), *_hunting(log)]
    return tuple(sorted(found, key=lambda one: (one.from_s, KINDS.index(one.kind))))
