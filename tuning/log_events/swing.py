"""What speed does while an engine idles undisturbed, and what of it the valve's moves make."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from sim import SAMPLE_s, Trace
from tuning.log_events.load_steps import load_changes_s
from tuning.log_events.segments import still_stretches, valve_moves
from tuning.log_events.states import Floats, QUICK_ENOUGH_s, idle_rows, mended, stretches
from tuning.log_events.swing_answer import ALONE, REGULAR, Swing
from tuning.log_events.valve_part import SPACING_s, ValvePart, valve_part
from tuning.logs import Log
from tuning.measures import CANNOT_TELL, DOES_NOT_HUNT, Measures, measure, resample_hold
from tuning.notes import Note

SHORTEST_s = 15.0  # Shorter stretches tell nothing of a swing [s].
STILL_s = 10.0
FEWEST_MOVES = 5  # Fewer moves do not tell how the valve moves [-].
SETTLING_s, LEAST_LEFT_s = 10.0, 30.0
"""So much of a log's beginning is left out where so much remains: before it began anything may have happened
[s, s]."""
SURE_STILL_s = 30.0
"""A valve that stands so long shows the floor; a shorter stretch only where nothing else does [s]."""
HELD_s, HELD_TIMES = 12.0, 4.0
"""A valve that rests for longer than this, and than so many times between its moves, is held [s, -]."""


def undisturbed(log: Log, from_s: float = 0.0) -> list[slice]:
    """Stretches of idling between loads, longest first, from some time after the beginning on."""
    calm = idle_rows(log) & (log.time_s >= log.time_s[0] + from_s)
    at_s = np.sort(np.array(load_changes_s(log)))
    first, past = np.searchsorted(at_s, [log.time_s - 4.0, log.time_s + 1.0])
    calm &= first == past
    found = stretches(calm, log.parts)
    length = [log.time_s[rows.stop - 1] - log.time_s[rows.start] for rows in found]
    order = np.argsort(length)[::-1]
    return [found[i] for i in order if length[i] >= SHORTEST_s]


def _measured(log: Log, rows: slice) -> Measures:
    first, last = float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1])
    return measure(log, [("hunting", first - SAMPLE_s, last)])


def _even(log: Log, rows: slice) -> tuple[Floats, Floats]:
    """Speed and valve on an even grid, speed as the mean of each slot."""
    time_s = log.time_s[rows]
    speed = resample_hold(time_s, log.rpm[rows], SPACING_s / 4.0).astype(float)
    steps = np.zeros(0) if log.valve_steps is None else log.valve_steps[rows]
    valve = resample_hold(time_s, steps, SPACING_s / 4.0).astype(float)
    whole = speed.size // 4 * 4
    return speed[:whole].reshape(-1, 4).mean(axis=1), valve[:whole].reshape(-1, 4).mean(axis=1)


def _detrended(values: Floats) -> Floats:
    line = np.polynomial.Polynomial.fit(np.arange(values.size), values, 1)
    return values - line(np.arange(values.size))


def _left_rpm(log: Log, rows: slice, part: ValvePart) -> float:
    """Swing of speed less the valve's part [rpm]."""
    time_s = log.time_s[rows]
    at_s = time_s[0] + (np.arange(part.speed_rpm.size) + 0.5) * SPACING_s
    left = replace(log, rpm=log.rpm.copy())
    if part.share > 0.0:  # else the valve works against the swing, if anything
        left.rpm[rows] -= np.interp(time_s, at_s, part.speed_rpm)
    return _measured(left, rows).hunting_rpm


def busy_part(log: Log, rows: slice) -> slice:
    """The part of a stretch in which the valve is at work: holding it still afterwards is a test."""
    first_s, last_s = float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1])
    at_s = valve_moves(log)[:, 0]
    at_s = at_s[slice(*np.searchsorted(at_s, [first_s, last_s]))]
    if at_s.size < FEWEST_MOVES + 1:
        return rows
    edges = np.concatenate([[first_s], at_s, [last_s]])
    held = np.diff(edges) > max(HELD_s, HELD_TIMES * float(np.median(np.diff(at_s))))
    ends = np.append(np.flatnonzero(held), held.size)
    begins = np.append(0, ends[:-1] + 1)
    longest = int(np.argmax(edges[ends] - edges[begins]))
    begin_s, end_s = edges[begins[longest]], edges[ends[longest]]
    if end_s - begin_s < LEAST_LEFT_s or not held.any():
        return rows
    first, past = np.searchsorted(log.time_s, [begin_s, end_s], side="right")
    return slice(max(int(first) - 1, rows.start), min(int(past), rows.stop))


def _moves_within(log: Log, rows: slice) -> dict[str, Any]:
    """What the valve does in a stretch; all nan or 0 where it was not recorded."""
    told: dict[str, Any] = {"moves_per_min": np.nan, "reversals_per_min": np.nan, "alternation": 0.0,
            "move_size_steps": 0.0, "move_size_spread": 0.0, "spread_of_all": 0.0}  # fmt: skip
    if log.valve_steps is None:
        return told
    first_s, last_s = log.time_s[rows.start], log.time_s[rows.stop - 1]
    moves = valve_moves(log)
    sizes = np.abs(moves[:, 2] - moves[:, 1])
    inside = moves[(moves[:, 0] >= first_s) & (moves[:, 0] <= last_s)]
    change = inside[:, 2] - inside[:, 1]
    turns = int(np.count_nonzero(np.diff(np.sign(change))))
    if len(inside) >= FEWEST_MOVES:
        size = float(np.mean(np.abs(change)))
        told["alternation"] = turns / (len(inside) - 1)
        told["move_size_steps"] = size
        told["move_size_spread"] = float(np.std(np.abs(change))) / size
        told["spread_of_all"] = float(np.std(sizes) / np.mean(sizes))
    minutes = max(float(last_s - first_s) / 60.0, 1e-6)
    return told | {"moves_per_min": len(inside) / minutes, "reversals_per_min": turns / minutes}


def _floor_rpm(log: Log, rows: slice, part: ValvePart | None, still: slice | None) -> float:
    """Swing without the valve's moves [rpm], nan where that cannot be told.

    Of a long stretch with the valve still, else of speed less the valve's part, else of a short stretch.
    """
    if log.valve_steps is None:
        return np.nan
    long = still is not None and log.time_s[still.stop - 1] - log.time_s[still.start] >= SURE_STILL_s
    if part is not None and not long:
        return _left_rpm(log, rows, part)
    return np.nan if still is None else _measured(log, still).hunting_rpm


def read_swing(log: Log, from_s: float | None = None) -> Swing | None:
    """Measure what speed does while the engine idles undisturbed.

    Left out is the beginning until ``from_s``, else 10 s of a log of 40 s or more. None where no undisturbed
    stretch is long enough, or speed is refreshed too slowly.
    """
    refresh_s = max(log.refresh_s.get("rpm", 0.0), 1.0 / max(log.rate_Hz, 1.0e-9))
    if from_s is None:
        from_s = SETTLING_s if np.ptp(log.time_s) > SETTLING_s + LEAST_LEFT_s - 1.0 else 0.0
    calm = undisturbed(log, from_s)
    if not calm or refresh_s > QUICK_ENOUGH_s:
        return None
    rests = still_stretches(log)
    longest = _read(log, calm[0], rests, refresh_s)
    if longest.answer == DOES_NOT_HUNT and not longest.by_hand:
        for one in (_read(log, rows, rests, refresh_s) for rows in calm[1:]):
            if one.answer != DOES_NOT_HUNT:
                return replace(longest, hunts_elsewhere=(one.from_s, one.to_s))
    return longest


def _read(log: Log, calm: slice, rests: list[slice], refresh_s: float) -> Swing:
    """Measure one stretch, with what the valve does in it."""
    rows = busy_part(log, calm)
    first_s, last_s = float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1])
    settled = sum(
        max(min(log.time_s[one.stop - 1], last_s) - max(log.time_s[one.start], first_s), 0.0) for one in rests
    )
    lasting = [(log.time_s[one.stop - 1] - log.time_s[one.start], one) for one in rests]
    length_s, longest = max(lasting, key=lambda one: one[0], default=(0.0, None))
    still = longest if length_s >= STILL_s else None
    m, part = _measured(log, rows), None
    if log.valve_steps is not None:
        regular = m.regularity > REGULAR and m.repeat_share > ALONE
        speed, valve = (_detrended(one) for one in _even(log, rows))
        part = valve_part(speed, valve, regular)
    speed = log.rpm[rows] - float(np.mean(log.rpm[rows]))
    spread = float(np.std(speed))
    return Swing(
        from_s=first_s, to_s=last_s, measures=m, floor_rpm=_floor_rpm(log, rows, part, still),
        still_measures=None if still is None else _measured(log, still),
        valve_share=np.nan if part is None else part.share,
        valve_lead_s=np.nan if part is None else part.lag_s,
        settled_share=float(settled / (last_s - first_s)), still_s=float(length_s),
        skew=float(np.mean(speed**3)) / spread**3 if spread > 0.0 else 0.0, spacing_s=refresh_s,
        **_moves_within(log, rows),
    )  # fmt: skip


def read_run(run: Trace, from_s: float | None = None, to_s: float = np.inf) -> tuple[str, Note]:
    """Judge whether a simulated run hunts as its log would be judged, left out what ``read_swing`` does."""
    names = ("rpm", "valve_steps", "target_rpm", "map_kPa")  # the log has more, nothing that tells here
    columns = {name: run.resampled(name, SAMPLE_s) for name in names if name in run.signals}
    time_s = np.arange(1, columns["rpm"].size + 1) * np.float64(SAMPLE_s)
    rows = slice(0, int(np.searchsorted(time_s, to_s + 0.5 * SAMPLE_s)))
    kept: dict[str, Any] = {name: one[rows].astype(float) for name, one in columns.items()}
    log = Log(run.name, time_s[rows], **kept, parts=(slice(0, rows.stop),), rate_Hz=1.0 / SAMPLE_s)
    swing = read_swing(mended(log), from_s)
    if swing is None:
        return CANNOT_TELL, Note("measures.run.too_short")
    if swing.answer == CANNOT_TELL and not np.any(run["trim_steps"][run.time_s <= to_s]):
        # What only the base curve moves cannot hunt, however it sways.
        return DOES_NOT_HUNT, Note("measures.run.does_not_hunt", swing_rpm=swing.measures.hunting_rpm)
    return swing.answer, swing.note
