"""The part of a swing of speed that the valve's own moves make, told from both over time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tuning.log_events.states import Floats

SPACING_s = 0.2  # Spacing on which cause and answer are compared [s].
PAST = 5  # Values of its own past that speed depends on, and of the valve's [-].
QUICKEST_s = 1.0  # Quicker waves are no swing of an idle [s].


@dataclass(frozen=True)
class ValvePart:
    """The valve's part of speed, its share of the variance (below 0: the wrong way), and the lag."""

    speed_rpm: Floats
    share: float
    lag_s: float


def valve_part(speed: Floats, valve: Floats, regular: bool) -> ValvePart | None:
    """Part of a swing that the valve makes; None where it cannot be told.

    Speed is told from its own past, the valve's, and, where it swings regularly, a wave of that period which
    anything else may make; then the valve's part alone is run: neither an unevenness nor a swing from outside
    that the valve only follows is laid at its door. What tells them apart is that moves are steps and come at
    their own moments.
    Source: least-squares ARX model, Ljung, System Identification (1999), ch. 10; the wave is ours.
    """
    rows = np.arange(PAST, speed.size)
    if rows.size < 8 * PAST or np.std(valve) < 1e-9:
        return None
    past = [one[rows - k] for one in (speed, valve) for k in range(1, PAST + 1)]
    if regular:
        angle = 2.0 * np.pi * rows / _strongest_period(speed)
        past += [np.cos(angle), np.sin(angle)]
    found = np.linalg.lstsq(np.column_stack(past), speed[rows], rcond=None)[0]
    own, moved = found[:PAST].astype(float), found[PAST : 2 * PAST].astype(float)
    if np.max(np.abs(np.roots(np.concatenate([[1.0], -own])))) >= 0.995:
        return None
    part, answer = _run(own, moved, valve), _run(own, moved, np.ones(60))
    late, height = part[3 * PAST :], answer[-1]
    likeness = float(np.corrcoef(late, speed[3 * PAST :])[0, 1]) if np.std(late) > 0.0 else 0.0
    share = float(np.var(late) / np.var(speed[3 * PAST :]))
    reached = np.flatnonzero(answer / height >= 0.5) if height != 0.0 else np.zeros(0, int)
    lag_s = float(reached[0] + 1) * SPACING_s if reached.size else np.nan
    return ValvePart(part, float(np.copysign(min(share, 1.0), likeness * height)), lag_s)


def _run(own: Floats, moved: Floats, valve: Floats) -> Floats:
    """Speed that the valve alone makes, from rest.

    By the band of equations that past values make: ``scipy.signal`` would take a second to load.
    """
    from scipy.linalg import solve_banded

    bands = np.vstack([np.ones(valve.size), *(np.full(valve.size, -one) for one in own)])
    asked = np.convolve(valve, np.concatenate([[0.0], moved]))[: valve.size]
    return np.asarray(solve_banded((own.size, 0), bands, asked))


def _strongest_period(speed: Floats) -> float:
    """Period of the strongest wave in speed, between a second and half its length [samples]."""
    room = 8 * speed.size
    strength = np.abs(np.fft.rfft((speed - speed.mean()) * np.hanning(speed.size), room))
    slowest = 2 * room // speed.size
    quickest = max(int(room * SPACING_s / QUICKEST_s), slowest + 1)
    return room / float(slowest + np.argmax(strength[slowest:quickest]))
