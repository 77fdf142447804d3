"""Is it hunting or scatter, how large, how fast, and does the valve lead it or follow."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sim import SAMPLE_s, Trace
from tuning.log_events.load_steps import load_changes_s
from tuning.log_events.segments import still_stretches, valve_moves
from tuning.log_events.states import Floats, QUICK_ENOUGH_s, idle_rows, mended, stretches
from tuning.log_events.valve_part import SPACING_s, ValvePart, valve_part
from tuning.logs import Log
from tuning.measures import (
    CANNOT_TELL,
    DOES_NOT_HUNT,
    FEWEST_HALF_SWINGS,
    HUNTS,
    Measures,
    SMALLEST_HUNTING_rpm,
    measure,
    regular_swing,
    resample_hold,
    run_answer,
    run_note,
)
from tuning.notes import Note

REGULAR, MAY_BE_A_WAVE = 1.0, 0.3
"""Regularity and share of repeats above which a swing may be a wave from outside [-, -]."""
SHORTEST_s = 15.0
"""Shorter stretches tell nothing of a swing [s]."""
STILL_s = 10.0
ALTERNATES, EQUAL_MOVES, ALIKE, FEWEST_MOVES = 0.95, 0.4, 0.2, 5
"""A valve goes to and fro where so many of its moves undo the one before, by as much; by hand it is moved
unequally, over the log and over any part of it [-, -, -, -]."""
SETTLING_s, LEAST_LEFT_s = 10.0, 30.0
"""So much of a log's beginning is left out where so much remains: before it began anything may have happened
[s, s]."""
UNSURE_SHARE = 0.1
"""Share that the repeats of a swing must have more where the floor is told from the swing itself [-]."""
SURE_STILL_s = 30.0
"""A valve that stands so long shows the floor; a shorter stretch only where nothing else does [s]."""
HELD_s, HELD_TIMES = 12.0, 4.0
"""A valve that rests for longer than this, and than so many times between its moves, is held [s, -]."""
MOSTLY_SETTLED, BY_HAND_per_min = 0.45, 9.0
"""Where speed has settled for this share of the time and moves are no more frequent, they were made by hand
or seldom [-, 1/min]."""
VALVE_S_OWN = 0.5
"""Share of a swing's variance that the valve's moves must make before it is laid at its door [-]."""
MOST_LEFT = 0.65
"""Share of a swing that may be left once the valve's part is taken out: more, and it has not made it [-]."""
TO_AND_FRO, ITS_OWN, LEFT_THEN = 0.4, 0.3, 0.75
"""Where the valve goes to and fro and takes speed with it by this share of the swing, its moves need make only
so much, and so much may be left [-, -, -]."""
OWN_CYCLE, MOST_SETTLED, LEFT_AT_OTHER = 0.8, 0.8, 0.45
"""A valve that goes over and back less often than this in a period, cycles at another period than the swing: then
only so much of it may be left [-, -, -]."""
MOSTLY_MADE, TIMES_FLOOR = 0.6, 2.0
"""A swing of which its moves make so much, and so many times what is left without them, may be hunting
however irregular [-, -]."""
MUCH_OF_FLOOR, MUCH_ABOVE, AGAINST = 0.5, 1.2, -0.2
"""What the valve takes speed between its sides over what is left without it, and that over the whole swing;
its share where it works against the swing: beyond these it is not sure that it does not hunt [-, -, -]."""
STAYS_rpm, GOES_rpm, STAYS = 60.0, 35.0, 0.7
"""A swing smaller than this, with so little between the valve's sides, of which so much stays without the
valve's moves is not made by them [rpm, rpm, -]."""
COUNTERS = -0.33
"""A valve that stands on the lower side while speed is higher by this share of the swing counters a load [-]."""
NOTICED_rpm, NOTICED_BUSY_rpm, SLIGHT_rpm = 25.0, 30.0, 30.0
"""A valve that goes to and fro, or a busy one, and takes speed with it by so much is never sure not to hunt; a
smaller swing whose part is not understood is waved off [rpm, rpm, rpm]."""
TRACE, GREAT_rpm = 0.1, 200.0
"""Where the valve's part is not understood, the share of the swing that is more than a trace; a swing that is
never waved off while the valve moves [-, rpm]."""
STILL_REPEATS = 0.75
"""A swing with the valve still, of few periods as a rule, must repeat by more than this [-]."""
SLOW_ROWS_s, BUSY_per_min, FEWEST_ROWS = 0.25, 10.0, 4.0
"""Rows further apart do not show that so busy a valve makes no swing; nor fewer rows in a period a swing for
sure [s, 1/min, -]."""


@dataclass(frozen=True)
class Swing:
    """What speed does while the engine idles, over the longest undisturbed stretch.

    Attributes
    ----------
    measures, still_measures : Measures
        Of that stretch, and of the longest one with the valve still, None without.
    alternation, move_size_spread : float
        Share of the moves that go against the one before; deviation of the sizes over their mean [-].
    skew : float
        Skewness of speed: below 0 where it dips [-].
    """

    from_s: float
    to_s: float
    measures: Measures
    floor_rpm: float  # swing left without the valve's moves: see ``_floor_rpm``
    still_measures: Measures | None
    valve_share: float  # of the swing's variance that its moves make; and time to the speed's answer
    valve_lead_s: float
    moves_per_min: float  # of the valve, nan where it was not recorded
    reversals_per_min: float
    settled_share: float  # in which the valve has been still for some seconds
    alternation: float
    move_size_steps: float
    move_size_spread: float
    spread_of_all: float  # the same over the whole log
    skew: float
    spacing_s: float  # between rows
    hunts_elsewhere: tuple[float, float] | None = None  # a shorter stretch that hunts, or may: from, to [s]

    @property
    def by_hand(self) -> bool:
        """Whether it was moved by hand: it rests until speed settles, and moves unequally and seldom."""
        unequal = self.move_size_spread > ALIKE and self.spread_of_all > EQUAL_MOVES
        return self._rests and unequal

    @property
    def _rests(self) -> bool:
        """Whether the valve moves so seldom that it may be done by hand."""
        return self.settled_share >= MOSTLY_SETTLED and self.moves_per_min <= BY_HAND_per_min

    @property
    def floor(self) -> float | None:
        """The floor, None where it is not known [rpm]."""
        return None if np.isnan(self.floor_rpm) else self.floor_rpm

    @property
    def judged(self) -> Measures:
        """What the rule looks at: beside a floor that is told, not held, it must repeat the more."""
        m = self.measures
        return m if self.floor is None else replace(m, repeat_share=m.repeat_share - UNSURE_SHARE)

    @property
    def doubtful(self) -> bool:
        """Whether the rule's answer is not borne out by what the valve's moves make of the swing."""
        if self.hunts_elsewhere is not None:
            return True
        if self.by_hand or not self.moves_per_min > 0.0:
            return False
        said, m = self._by_rule, self.measures
        slight = m.hunting_rpm <= SLIGHT_rpm
        if said == HUNTS:
            seldom = not self.regular and m.half_swings <= FEWEST_HALF_SWINGS
            seldom |= self._rests and not self._goes_to_and_fro
            unseen = m.hunting_period_s < FEWEST_ROWS * self.spacing_s
            return seldom or unseen or not self._made_by_valve
        if said == CANNOT_TELL or not m.hunting_rpm > SMALLEST_HUNTING_rpm:
            return False
        too_slow = self.spacing_s > SLOW_ROWS_s and self.moves_per_min > BUSY_per_min
        far = m.hunting_rpm > TIMES_FLOOR * self.floor_rpm or m.valve_swing_rpm > NOTICED_rpm
        made = self.valve_share >= MOSTLY_MADE and (far or (self._goes_to_and_fro and not slight))
        busy = self.moves_per_min > BUSY_per_min and abs(m.valve_swing_rpm) > NOTICED_BUSY_rpm
        # A valve that went over and back but once may have made what swings regularly.
        seen = m.half_swings >= FEWEST_HALF_SWINGS or (m.half_swings >= 2 and self._may_be_a_wave)
        return too_slow or made or busy or (seen and not self._stays and self._may_go_to_and_fro)

    @property
    def _stays(self) -> bool:
        """Whether it is a small swing that stays without the valve's moves: roughness that they go with."""
        m = self.measures
        small = m.valve_swing_rpm < GOES_rpm and m.hunting_rpm < STAYS_rpm
        its_own = AGAINST < self.valve_share < VALVE_S_OWN
        return small and its_own and self.floor_rpm > STAYS * m.hunting_rpm

    @property
    def _by_rule(self) -> str:
        """The rule's answer."""
        return DOES_NOT_HUNT if self._stays else run_answer(self.judged, self.floor)

    @property
    def _goes_to_and_fro(self) -> bool:
        """Whether each move undoes the one before."""
        return self.alternation >= ALTERNATES and self.move_size_spread <= EQUAL_MOVES

    @property
    def _made_by_valve(self) -> bool:
        """Whether the moves make the swing: with them taken out it must be gone as well."""
        m = self.measures
        if self.regular and self._cycles_a_period < OWN_CYCLE and self.floor_rpm > LEFT_AT_OTHER * m.hunting_rpm:
            return False
        if self._goes_to_and_fro and m.valve_swing_rpm > TO_AND_FRO * m.hunting_rpm:
            unseen = np.isnan(self.valve_share) and m.valve_swing_rpm > NOTICED_rpm
            return (unseen or self.valve_share > ITS_OWN) and not self.floor_rpm > LEFT_THEN * m.hunting_rpm
        return self.valve_share >= VALVE_S_OWN and not self.floor_rpm > MOST_LEFT * m.hunting_rpm

    @property
    def _cycles_a_period(self) -> float:
        """How often the valve goes over and back in a period of the swing, while it moves at all."""
        cycles_per_min = 0.5 * self.moves_per_min / (1.0 - min(self.settled_share, MOST_SETTLED))
        return cycles_per_min / 60.0 * self.measures.hunting_period_s

    @property
    def _may_be_a_wave(self) -> bool:
        """Whether it swings as regularly as a wave, and more than without the valve."""
        m = self.measures
        return m.regularity > REGULAR and m.repeat_share > MAY_BE_A_WAVE and m.hunting_rpm > self.floor_rpm

    @property
    def _may_go_to_and_fro(self) -> bool:
        """Whether speed goes with the valve by more than a trace, or by too much to be waved off."""
        m = self.measures
        between_rpm = abs(m.valve_swing_rpm)
        # Moves that work against the swing, or whose part is larger than it, are not understood.
        odd = not AGAINST < self.valve_share < VALVE_S_OWN or self.floor_rpm > MUCH_ABOVE * m.hunting_rpm
        odd &= m.valve_swing_rpm > COUNTERS * m.hunting_rpm
        unclear = odd and m.hunting_rpm > SLIGHT_rpm and between_rpm > TRACE * m.hunting_rpm
        noticed = self._goes_to_and_fro and between_rpm > NOTICED_rpm
        great = m.hunting_rpm > GREAT_rpm
        return unclear or noticed or great or between_rpm > MUCH_OF_FLOOR * self.floor_rpm

    @property
    def answer(self) -> str:
        """Whether it hunts, by the rule of hunting; a valve moved by hand makes none."""
        if self.doubtful:
            return CANNOT_TELL
        return DOES_NOT_HUNT if self.by_hand else self._by_rule

    @property
    def note(self) -> Note:
        """The answer told."""
        m = self.measures
        if self.by_hand:
            return Note("measures.run.does_not_hunt", swing_rpm=m.hunting_rpm)
        if self.hunts_elsewhere is not None:
            return Note("measures.run.partly", swing_rpm=m.hunting_rpm)
        if self.doubtful:
            return Note("measures.run.doubtful", swing_rpm=m.hunting_rpm, period_s=m.hunting_period_s)
        return run_note(self.judged, self.floor)

    @property
    def regular(self) -> bool:
        """Whether speed swings regularly and by more than is left without the valve's moves."""
        return regular_swing(self.judged, self.floor)

    @property
    def still_swings(self) -> bool:
        """Whether speed swings regularly while the valve stands still, for long enough to say so."""
        m = self.still_measures
        if m is None or m.hunting_period_s < FEWEST_ROWS * self.spacing_s:
            return False
        return run_answer(m) == HUNTS and m.repeat_share > STILL_REPEATS


def undisturbed(log: Log, from_s: float = 0.0) -> list[slice]:
    """Stretches of idling between loads, longest first, from some time after the beginning on.

    Parameters
    ----------
    log, from_s : Log, float [s]

    Returns
    -------
    list of slice
    """
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


def _moves_within(log: Log, rows: slice) -> dict[str, float]:
    """What the valve does in a stretch; all nan or 0 where it was not recorded."""
    told = {"moves_per_min": np.nan, "reversals_per_min": np.nan, "alternation": 0.0,
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

    Parameters
    ----------
    log, from_s : Log, float
        Beginning that is left out; otherwise 10 s of a log of 40 s or more [s].

    Returns
    -------
    Swing or None
        None where no undisturbed stretch is long enough, or speed is refreshed too slowly.
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
        regular = m.regularity > REGULAR and m.repeat_share > MAY_BE_A_WAVE
        speed, valve = (_detrended(one) for one in _even(log, rows))
        part = valve_part(speed, valve, regular)
    speed = log.rpm[rows] - float(np.mean(log.rpm[rows]))
    spread = float(np.std(speed))
    return Swing(
        from_s=first_s, to_s=last_s, measures=m, floor_rpm=_floor_rpm(log, rows, part, still),
        still_measures=None if still is None else _measured(log, still),
        valve_share=np.nan if part is None else part.share,
        valve_lead_s=np.nan if part is None else part.lag_s,
        settled_share=float(settled / (last_s - first_s)),
        skew=float(np.mean(speed**3)) / spread**3 if spread > 0.0 else 0.0, spacing_s=refresh_s,
        **_moves_within(log, rows),
    )  # fmt: skip


def read_run(run: Trace, from_s: float | None = None, to_s: float = np.inf) -> tuple[str, Note]:
    """Judge whether a simulated run hunts as its log would be judged: the answer, and it told.

    Parameters
    ----------
    run, from_s, to_s : Trace, float, float
        Beginning that is left out, as by ``read_swing``; end of what may be judged [s].

    Returns
    -------
    str, Note
    """
    names = ("rpm", "valve_steps", "target_rpm", "map_kPa")  # the log has more, nothing that tells here
    columns = {name: run.resampled(name, SAMPLE_s) for name in names if name in run.signals}
    time_s = np.arange(1, columns["rpm"].size + 1) * np.float64(SAMPLE_s)
    rows = slice(0, int(np.searchsorted(time_s, to_s + 0.5 * SAMPLE_s)))
    kept: dict[str, Any] = {name: one[rows].astype(float) for name, one in columns.items()}
    log = Log(run.name, time_s[rows], **kept, parts=(slice(0, rows.stop),), rate_Hz=1.0 / SAMPLE_s)
    swing = read_swing(mended(log), from_s)
    if swing is None:
        return CANNOT_TELL, Note("measures.run.too_short")
    return swing.answer, swing.note
