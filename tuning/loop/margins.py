"""How far the loop is from swinging by itself: margins, ultimate gain, closed-loop poles."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from tuning.loop.linear import LinearIdle
from tuning.loop.sampled_loop import SampledLaw, frequencies, loop_response


@dataclass(frozen=True)
class Margins:
    """How far a loop is from swinging; infinite where there is no border, nan where none is found."""

    gain_margin: float
    phase_margin_deg: float
    sensitivity_peak: float
    phase_crossover_rad_s: float
    gain_crossover_rad_s: float


@dataclass(frozen=True)
class UltimateGain:
    """Factor on all gains at which a loop without quantisation begins to swing, and the period there.

    Below 1 the present settings are unstable already; 0 if the engine is with the valve still; infinite if no
    gain does it.
    """

    multiplier: float
    period_s: float


def margins(loop: Any) -> Margins:
    """Gain margin, phase margin and sensitivity peak of a loop, nearest to the border.

    They say how far the border is, not on which side the loop is: see ``ultimate_gain``.
    """
    import control

    gain, phase, distance, w_phase, w_gain, _ = (float(value) for value in control.stability_margins(loop))
    if not math.isfinite(distance):
        distance = _nearest_at_an_end(loop)
    return Margins(gain, phase, 1.0 / distance, w_phase, w_gain)


def _nearest_at_an_end(loop: Any) -> float:
    """Distance to -1 where ``stability_margins`` finds no minimum inside: at an end [-]."""
    omega = getattr(loop, "omega", None)
    if omega is None:
        return min(1.0, float(abs(1.0 + loop(0.0))))
    return float(np.min(np.abs(1.0 + loop(1j * omega))))


def ultimate_gain(plant: LinearIdle, law: SampledLaw, move_steps: int = 1) -> UltimateGain:
    """Gain at which the loop goes unstable without quantisation, all gains in proportion.

    The loop is stable for small gains; the border is the smallest multiplier that puts the exact loop
    response through -1, at a phase crossover or at half the update rate. Source: Nyquist; derivation our
    own.
    """
    from scipy.optimize import brentq

    if law.scaled(0.0) == law:
        raise ValueError("gains: all 0, allowed: at least one above 0")
    if not plant.is_stable():
        return UltimateGain(0.0, math.nan)

    def imaginary(omega: float) -> float:
        return float(loop_response(plant, law, omega, move_steps).imag)

    grid = frequencies(plant, law)
    side = np.sign(loop_response(plant, law, grid, move_steps).imag)
    crossings = [
        float(brentq(imaginary, grid[i], grid[i + 1], xtol=1e-12, rtol=1e-12))
        for i in np.flatnonzero(side[:-1] * side[1:] < 0)
    ]
    crossings.append(math.pi / law.update_period_s)
    sizes = loop_response(plant, law, np.array(crossings), move_steps).real
    at = int(np.argmin(sizes))
    if sizes[at] >= 0.0:
        return UltimateGain(math.inf, math.nan)
    return UltimateGain(-1.0 / float(sizes[at]), 2.0 * math.pi / crossings[at])
