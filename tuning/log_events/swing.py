"""Is it hunting or scatter, how large, how fast, and does the valve lead it or follow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.log_events.load_steps import find_shifts
from tuning.log_events.segments import still_stretches, valve_moves
from tuning.log_events.states import idle_rows, stretches
from tuning.logs import Log
from tuning.measures import (
    CANNOT_TELL,
    Measures,
    is_hunting,
    measure,
    regular_swing,
    resample_hold,
    run_answer,
)

Floats = NDArray[np.float64]

SPACING_s = 0.2
"""Spacing on which cause and answer are compared [s]."""
PAST = 5
"""Values of its own past that speed depends on, and of the valve's [-]."""
SHORTEST_s = 15.0
"""Shorter stretches tell nothing of a swing [s]."""
STILL_s = 10.0
ALTERNATES, EQUAL_MOVES, FEWEST_MOVES = 0.85, 0.35, 5
"""A valve that hunts slowly goes to and fro, by equal moves [-, -, -]."""
GOES_SHARE = 0.3
"""Speed goes with the valve by this share of its swing at least, if the valve makes it [-]."""
HELD_s, HELD_TIMES = 12.0, 4.0
"""A valve that rests for longer than this, and than so many times between its moves, is held
[s, -]."""
MOSTLY_SETTLED = 0.45
"""Where speed has settled for this share of the time, moves were made by hand or seldom [-]."""
QUICK_ENOUGH_s = 0.6
"""Speed refreshed more slowly than this does not show a swing of a few seconds [s]."""


@dataclass(frozen=True)
class Swing:
    """What speed does while the engine idles.

    Attributes
    ----------
    from_s, to_s : float
        Stretch it was taken from: the longest undisturbed one [s].
    measures : Measures
        Of that stretch.
    floor_rpm : float
        Swing with the valve still, nan where it never stands still [rpm].
    still_measures : Measures or None
        Of the longest stretch with the valve still.
    valve_share : float
        Share of the swing's variance that the valve's moves make, nan where not known [-].
    valve_lead_s : float
        Time from the valve to the speed's answer, nan where not known [s].
    moves_per_min, reversals_per_min : float
        Of the valve in that stretch, nan where it was not recorded [1/min].
    settled_share : float
        Share of that stretch in which the valve has been still for some seconds [-].
    alternation : float
        Share of the moves that go against the one before [-].
    move_size_spread : float
        Standard deviation of the sizes over their mean [-].
    range_steps : float
        Between the valve's usual lowest and highest position [steps].
    pressure_likeness : float
        Likeness of manifold pressure and speed in the swing: below 0 where a load or torque
        swings speed, not air; nan without pressure [-].
    skew : float
        Skewness of speed: below 0 where it dips [-].
    halves_rpm : tuple of float
        Swing in the first and the second half of the stretch: what lasts is in both [rpm].
    """

    from_s: float
    to_s: float
    measures: Measures
    floor_rpm: float
    still_measures: Measures | None
    valve_share: float
    valve_lead_s: float
    moves_per_min: float
    reversals_per_min: float
    settled_share: float
    alternation: float
    move_size_steps: float
    move_size_spread: float
    range_steps: float
    pressure_likeness: float
    skew: float
    halves_rpm: tuple[float, float]

    @property
    def alternates(self) -> bool:
        """Whether each move of the valve undoes the one before."""
        return self.alternation >= ALTERNATES and self.move_size_spread <= EQUAL_MOVES

    @property
    def by_hand(self) -> bool:
        """Whether it was moved by hand: it rests until speed settles, and moves unequally."""
        rests = self.move_size_steps > 0.0 and self.settled_share >= MOSTLY_SETTLED
        return rests and not self.alternates

    @property
    def floor(self) -> float | None:
        """The floor, None where it is not known [rpm]."""
        return None if np.isnan(self.floor_rpm) else self.floor_rpm

    @property
    def regular(self) -> bool:
        """Whether the swing is regular and larger than scatter makes."""
        return regular_swing(self.measures, self.floor)

    @property
    def goes_with_valve(self) -> bool:
        """Whether the valve goes to and fro and speed with it."""
        return is_hunting(self.measures, self.floor) and (
            self.measures.valve_swing_rpm > GOES_SHARE * self.measures.hunting_rpm
        )

    @property
    def went_over_once(self) -> bool:
        """Whether the valve swung speed, but too seldom to tell."""
        return run_answer(self.measures, self.floor) == CANNOT_TELL

    @property
    def still_swings(self) -> bool:
        """Whether speed swings regularly while the valve stands still."""
        return self.still_measures is not None and is_hunting(self.still_measures)


def undisturbed(log: Log) -> list[slice]:
    """Stretches of idling between loads, longest first.

    Parameters
    ----------
    log : Log

    Returns
    -------
    list of slice
    """
    marks = [one.at_s for one in find_shifts(log)]
    if log.load_W is not None:
        marks += list(log.time_s[1:][np.diff(log.load_W) != 0.0])
    calm = idle_rows(log).copy()
    at_s = np.sort(np.asarray(marks, dtype=float))
    first, past = np.searchsorted(at_s, [log.time_s - 4.0, log.time_s + 1.0])
    calm &= first == past
    found = stretches(calm, log.parts)
    length = [log.time_s[rows.stop - 1] - log.time_s[rows.start] for rows in found]
    order = np.argsort(length)[::-1]
    return [found[i] for i in order if length[i] >= SHORTEST_s]


def _measured(log: Log, rows: slice) -> Measures:
    first, last = float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1])
    return measure(log, [("hunting", first, last)])


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


def valve_part(speed: Floats, valve: Floats) -> tuple[float, float]:
    """Share of a swing that the valve makes [-], and how long after it speed answers [s].

    Speed is told from its own past and the valve's, then the valve's part alone is run: an unevenness
    that the valve only follows is not laid at its door. Source: least-squares ARX model, Ljung, System
    Identification (1999), ch. 10.
    """
    rows = np.arange(PAST, speed.size)
    if rows.size < 8 * PAST or np.std(valve) < 1e-9:
        return np.nan, np.nan
    own = np.column_stack([speed[rows - k] for k in range(1, PAST + 1)])
    cause = np.column_stack([valve[rows - k] for k in range(1, PAST + 1)])
    weights = np.linalg.lstsq(np.hstack([own, cause]), speed[rows], rcond=None)[0]
    a, b = weights[:PAST], weights[PAST:]
    poles = np.roots(np.concatenate([[1.0], -a]))
    if np.max(np.abs(poles)) >= 0.995:
        return np.nan, np.nan
    part = np.zeros(speed.size)
    answer = np.zeros(60)
    for row in range(1, speed.size):
        back = min(row, PAST)
        part[row] = sum(a[k] * part[row - 1 - k] + b[k] * valve[row - 1 - k] for k in range(back))
    for row in range(1, answer.size):
        back = min(row, PAST)
        answer[row] = sum(a[k] * answer[row - 1 - k] + b[k] for k in range(back))
    late = part[3 * PAST :] - np.mean(part[3 * PAST :])
    same = speed[3 * PAST :]
    likeness = float(np.corrcoef(late, same)[0, 1]) if np.std(late) > 0.0 else 0.0
    share = float(np.var(late) / np.var(same))
    height = answer[-1]
    reached = np.flatnonzero(answer / height >= 0.5) if height != 0.0 else np.zeros(0, int)
    lag_s = float(reached[0]) * SPACING_s if reached.size else np.nan
    return float(np.copysign(min(share, 1.0), likeness * height)), lag_s


def busy_part(log: Log, rows: slice) -> slice:
    """The part of a stretch in which the valve is at work: holding it still afterwards is a test."""
    first_s, last_s = float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1])
    at_s = valve_moves(log)[:, 0]
    at_s = at_s[slice(*np.searchsorted(at_s, [first_s, last_s]))]
    if at_s.size < FEWEST_MOVES + 1:
        return rows
    edges = np.concatenate([[first_s], at_s, [last_s]])
    held = np.diff(edges) > max(HELD_s, HELD_TIMES * float(np.median(np.diff(at_s))))
    best = (0.0, first_s, last_s)
    begin = 0
    for place in range(held.size + 1):
        if place == held.size or held[place]:
            end_s = edges[place]
            best = max(best, (end_s - edges[begin], edges[begin], end_s))
            begin = place + 1
    length_s, begin_s, end_s = best
    if length_s < SHORTEST_s or not held.any():
        return rows
    first, past = np.searchsorted(log.time_s, [begin_s, end_s], side="right")
    return slice(max(int(first) - 1, rows.start), min(int(past), rows.stop))


def _likeness(log: Log, rows: slice) -> float:
    """Likeness of pressure and speed about their trends, nan without pressure [-]."""
    if log.map_kPa is None:
        return np.nan
    time_s = log.time_s[rows]
    speed, pressure = (
        _detrended(resample_hold(time_s, one[rows], SPACING_s).astype(float))
        for one in (log.rpm, log.map_kPa)
    )
    if min(float(np.std(speed)), float(np.std(pressure))) < 1e-6:
        return np.nan
    return float(np.corrcoef(speed, pressure)[0, 1])


def _moves_within(log: Log, rows: slice) -> dict[str, float]:
    """What the valve does in a stretch; all nan or 0 where it was not recorded."""
    told = {"moves_per_min": np.nan, "reversals_per_min": np.nan, "alternation": 0.0,
            "move_size_steps": 0.0, "move_size_spread": 0.0, "range_steps": 0.0}  # fmt: skip
    if log.valve_steps is None:
        return told
    first_s, last_s = log.time_s[rows.start], log.time_s[rows.stop - 1]
    inside = valve_moves(log)
    inside = inside[(inside[:, 0] >= first_s) & (inside[:, 0] <= last_s)]
    change = inside[:, 2] - inside[:, 1]
    turns = int(np.count_nonzero(np.diff(np.sign(change))))
    if len(inside) >= FEWEST_MOVES:
        size = float(np.mean(np.abs(change)))
        told["alternation"] = turns / (len(inside) - 1)
        told["move_size_steps"] = size
        told["move_size_spread"] = float(np.std(np.abs(change))) / size
    minutes = max(float(last_s - first_s) / 60.0, 1e-6)
    low, high = np.percentile(log.valve_steps[rows], [5.0, 95.0])
    return told | {"moves_per_min": len(inside) / minutes, "reversals_per_min": turns / minutes,
                   "range_steps": float(high - low)}  # fmt: skip


def read_swing(log: Log) -> Swing | None:
    """Measure what speed does while the engine idles undisturbed.

    Parameters
    ----------
    log : Log

    Returns
    -------
    Swing or None
        None where no undisturbed stretch is long enough, or speed is refreshed too slowly.
    """
    refresh_s = max(log.refresh_s.get("rpm", 0.0), 1.0 / max(log.rate_Hz, 1.0e-9))
    calm = undisturbed(log)
    if not calm or refresh_s > QUICK_ENOUGH_s:
        return None
    rows = busy_part(log, calm[0])
    first_s, last_s = float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1])
    rests = still_stretches(log)
    settled = sum(
        max(min(log.time_s[one.stop - 1], last_s) - max(log.time_s[one.start], first_s), 0.0) for one in rests
    )
    still = [one for one in rests if log.time_s[one.stop - 1] - log.time_s[one.start] >= STILL_s]
    longest = max(still, key=lambda one: log.time_s[one.stop - 1] - log.time_s[one.start],
                  default=None)  # fmt: skip
    still_measures = None if longest is None else _measured(log, longest)
    floor = np.nan
    if log.valve_steps is not None and still_measures is not None:
        floor = still_measures.hunting_rpm
    share, lead = np.nan, np.nan
    if log.valve_steps is not None:
        share, lead = valve_part(*(_detrended(one) for one in _even(log, rows)))
    speed = log.rpm[rows] - float(np.mean(log.rpm[rows]))
    spread = float(np.std(speed))
    middle = (rows.start + rows.stop) // 2
    return Swing(
        from_s=first_s, to_s=last_s, measures=_measured(log, rows), floor_rpm=float(floor),
        still_measures=still_measures, valve_share=share, valve_lead_s=lead,
        settled_share=float(settled / (last_s - first_s)),
        pressure_likeness=_likeness(log, rows),
        halves_rpm=tuple(  # type: ignore[arg-type]
            _measured(log, half).hunting_rpm
            for half in (slice(rows.start, middle), slice(middle, rows.stop))
        ),
        skew=float(np.mean(speed**3)) / spread**3 if spread > 0.0 else 0.0,
        **_moves_within(log, rows),
    )  # fmt: skip
