"""Stretches of logs made ready for a fit: what was done to the engine, and what it answered.

Readings are averaged over short slots.  That keeps what tells about manifold, crank and delay
(up to a few Hz), and leaves readings taken slower than the slots as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.replay import Drive, Replayed, make_drive
from tuning.identification.parameters import Floats
from tuning.log_events import idle_rows, stretches, unrecorded_loads
from tuning.logs import Log

Flags = NDArray[np.bool_]

SLOT_s = 0.1  # Shortest slots over which readings are averaged [s].
SHORTEST_s = 8.0  # Shorter stretches of idling are left out [s].
SETTLING_s = 3.0  # Time at the beginning of a stretch left to the model to forget how it began [s].
FIRST_MOVE_SHARE = 0.25
"""Up to the valve's first move, within this share, nothing tells on which side of its play it stands [-]."""
COOLANT_STEP_degC = 1.0
WARM_degC = 90.0
HOLD_BACK_EVERY, HOLD_BACK_AT = 4, 2
"""Of every four holds of the valve the third is kept back to test the prediction."""
LONGEST_HOLD_s = 12.0  # Holds longer than this are cut, so that some of each is kept back [s].
GUESSED_LOAD_W = 100.0  # What a load of unknown size is first taken for [W].


@dataclass(frozen=True, eq=False)
class Stretch:
    """One stretch of idling."""

    log: int  # which log it is of
    rows: slice  # its rows there
    drive: Drive  # what was done; loads of unknown size have their guess
    load_of_event: NDArray[np.int64]  # number of the load whose size an event sets, -1 for other events
    load_share: Floats  # shape (events,): 1 where that load comes on, 0 where it goes
    slot: NDArray[np.int64]  # shape (rows,): slot of each row, from 0
    weight: Floats  # shape (slots,): 1 over the rows in it
    time_s: Floats  # shape (slots,): mean time
    measured: Floats  # shape (slots, 1 or 2): mean of rpm and, where recorded, manifold pressure [rpm, kPa]
    used: Flags  # shape (slots,): past the settling time, and new where readings are refreshed slowly
    held_back: Flags  # shape (slots,): kept back to test the prediction
    hold: NDArray[np.int64]  # shape (slots,): number of the hold of the valve

    def averaged(self, values: Floats) -> Floats:
        """Mean over each slot [any]."""
        return np.bincount(self.slot, values, self.weight.size) * self.weight

    def readings(self, read: Replayed) -> Floats:
        """What a replay gives for what was measured [rpm, kPa]."""
        signals = (read.rpm, read.map_kPa)[: self.measured.shape[1]]
        return np.column_stack([self.averaged(signal) for signal in signals])

    def drive_with(self, loads_W: Floats) -> Drive:
        """The drive with other sizes of the loads that were not recorded."""
        at = self.load_of_event >= 0
        if not at.any():
            return self.drive
        events = self.drive.events.copy()
        events[at, 2] = loads_W[self.load_of_event[at]] * self.load_share[at]
        return replace(self.drive, events=events)


def fresh_rows(log: Log) -> Flags:
    """Rows in which slowly refreshed speed is new; all where it is refreshed with the rows."""
    if "rpm" not in log.refresh_s:
        return np.ones(log.rpm.size, dtype=bool)
    return np.concatenate([[True], np.diff(log.rpm) != 0.0])


def _known_from_s(time_s: Floats, steps: Floats) -> float:
    """From when on the model knows how an engine stands, but for a first move that comes late [s]."""
    moved_s = time_s[:-1][np.diff(steps) != 0.0]
    soon_s = moved_s[moved_s - time_s[0] <= FIRST_MOVE_SHARE * (time_s[-1] - time_s[0])][:1]
    return float(max([time_s[0] + SETTLING_s, *soon_s]))


def holds_of(time_s: Floats, steps: Floats) -> NDArray[np.int64]:
    """Number the holds of the valve from 0, long ones cut."""
    number = np.zeros(time_s.size, dtype=np.int64)
    began_s = time_s[0]
    for row in range(1, time_s.size):
        since_s = time_s[row] - began_s
        moved = steps[row] != steps[row - 1] and since_s > 1.0
        cut = moved or since_s > LONGEST_HOLD_s
        number[row] = number[row - 1] + int(cut)
        began_s = time_s[row] if cut else began_s
    return number


Event = tuple[float, str, float]


def _coolant_events(time_s: Floats, coolant: Floats) -> list[Event]:
    events, last = [], coolant[0]
    for at_s, value in zip(time_s[1:], coolant[1:], strict=True):
        if abs(value - last) >= COOLANT_STEP_degC:
            events.append((float(at_s), "coolant_degC", float(value)))
            last = value
    return events


def _recorded_load(log: Log, rows: slice) -> tuple[float, list[Event]]:
    """Load above the least in the log as the stretch begins, and its changes."""
    if log.load_W is None:
        return 0.0, []
    extra = log.load_W[rows] - float(np.min(log.load_W))
    changed = np.flatnonzero(np.diff(extra)) + 1
    middle_s = 0.5 * (log.time_s[rows][changed] + log.time_s[rows][changed - 1])
    events = [
        (float(at_s), "electrical_W", float(watts))
        for at_s, watts in zip(middle_s, extra[changed], strict=True)
    ]
    return float(extra[0]), events


def _make_stretch(
    log: Log, number: int, rows: slice, altitude_m: float, loads: Sequence[tuple[int, float, float]]
) -> Stretch:
    time_s, speed = log.time_s[rows], log.rpm[rows]
    steps = np.zeros(speed.size) if log.valve_steps is None else log.valve_steps[rows]
    coolant = np.full(speed.size, WARM_degC) if log.coolant_degC is None else log.coolant_degC[rows]
    coolant = np.clip(coolant, -40.0, 130.0)
    load_W, events = _recorded_load(log, rows)
    events += _coolant_events(time_s, coolant)
    switched = [
        (at_s, which, share)
        for which, on_s, off_s in loads
        for at_s, share in ((on_s, 1.0), (off_s, 0.0))
        if time_s[0] < at_s < time_s[-1]
    ]
    events += [(at_s, "electrical_W", share * GUESSED_LOAD_W) for at_s, _, share in switched]
    order = sorted(range(len(events)), key=lambda row: events[row][0])
    known = len(events) - len(switched)
    which = [-1] * known + [one[1] for one in switched]
    share = [0.0] * known + [one[2] for one in switched]
    drive = make_drive(
        time_s, steps, start_rpm=max(float(np.mean(speed[time_s <= time_s[0] + 0.5])), 100.0),
        coolant_degC=float(coolant[0]), load_W=load_W, events=[events[row] for row in order],
        altitude_m=altitude_m,
    )  # fmt: skip
    slot_s = max(SLOT_s, 0.999 * float(np.median(np.diff(time_s))))
    _, slot = np.unique(np.floor((time_s - time_s[0]) / slot_s + 1e-6), return_inverse=True)
    weight = 1.0 / np.bincount(slot)

    def averaged(values: Floats) -> Floats:
        return np.bincount(slot, values, weight.size) * weight

    signals = [log.rpm] if log.map_kPa is None else [log.rpm, log.map_kPa]
    middle_s = averaged(time_s)
    hold = np.rint(averaged(holds_of(time_s, steps).astype(float))).astype(np.int64)
    return Stretch(
        log=number, rows=rows, drive=drive, slot=slot, weight=weight, time_s=middle_s, hold=hold,
        load_of_event=np.array([which[row] for row in order] + [-1], dtype=np.int64),
        load_share=np.array([share[row] for row in order] + [0.0]),
        measured=np.column_stack([averaged(signal[rows]) for signal in signals]),
        used=(middle_s > _known_from_s(time_s, steps))
        & (averaged(fresh_rows(log)[rows].astype(float)) > 0.0),
        held_back=hold % HOLD_BACK_EVERY == HOLD_BACK_AT,
    )  # fmt: skip


def find_stretches(logs: Sequence[Log], altitude_m: float = 0.0) -> tuple[list[Stretch], int]:
    """Find the stretches of idling that a fit can use."""
    all_have_map = all(log.map_kPa is not None for log in logs)
    found: list[Stretch] = []
    loads = 0
    for number, log in enumerate(logs):
        here = [(loads + i, on, off) for i, (on, off) in enumerate(unrecorded_loads(log))]
        loads += len(here)
        shown = log if all_have_map else replace(log, map_kPa=None)
        for rows in stretches(idle_rows(log), log.parts):
            span_s = log.time_s[rows.stop - 1] - log.time_s[rows.start]
            if span_s >= SHORTEST_s:
                found.append(_make_stretch(shown, number, rows, altitude_m, here))
    return found, loads
