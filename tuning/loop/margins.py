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
    """How far a loop is from swinging by itself.

    Parameters
    ----------
    gain_margin : float
        Factor of gain to the stability border, infinite if none [-].
    phase_margin_deg : float
        Phase to spare where the loop gain is 1, infinite if it never is [deg].
    sensitivity_peak : float
        Largest ``|1/(1 + L)|``; below about 2 is commonly called robust [-].
    phase_crossover_rad_s, gain_crossover_rad_s, sensitivity_peak_rad_s : float
        Where the three are found, nan if they are not [rad/s].
    delay_margin_s : float
        Extra delay the loop bears: phase margin over gain crossover [s].
    """

    gain_margin: float
    phase_margin_deg: float
    sensitivity_peak: float
    phase_crossover_rad_s: float
    gain_crossover_rad_s: float
    sensitivity_peak_rad_s: float
    delay_margin_s: float


@dataclass(frozen=True)
class UltimateGain:
    """The gain at which a loop without quantisation begins to swing by itself.

    Parameters
    ----------
    multiplier : float
        Factor on both gains; below 1 the present settings are unstable already; 0 if the engine is unstable
        with the valve still; infinite if no gain does it [-].
    period_s : float
        Period of the swing there, nan if there is none [s].
    """

    multiplier: float
    period_s: float


def margins(loop: Any) -> Margins:
    """Gain margin, phase margin and sensitivity peak of a loop.

    Gives what ``control.stability_margins`` finds, nearest to the border.

    The margins say how far the border is, not on which side the loop is: see ``ultimate_gain``.
    Source: python-control ``stability_margins``.
    """
    import control

    gain, phase, distance, w_phase, w_gain, w_peak = (
        float(value) for value in control.stability_margins(loop)
    )
    if not math.isfinite(distance):
        distance, w_peak = _nearest_at_an_end(loop)
    late = math.radians(phase) / w_gain if math.isfinite(w_gain) else math.inf
    return Margins(gain, phase, 1.0 / distance, w_phase, w_gain, w_peak, late)


def _nearest_at_an_end(loop: Any) -> tuple[float, float]:
    """Distance to -1 where ``stability_margins`` finds no minimum inside: at an end."""
    omega = getattr(loop, "omega", None)
    if omega is None:
        return min(1.0, float(abs(1.0 + loop(0.0)))), math.nan
    distance = np.abs(1.0 + loop(1j * omega))
    at = int(np.argmin(distance))
    return float(distance[at]), float(omega[at])


def ultimate_gain(plant: LinearIdle, law: SampledLaw, move_steps: int = 1) -> UltimateGain:
    """Gain at which the loop goes unstable without quantisation, integral in proportion.

    Gives the first border met as the gains rise from nothing.

    For an engine that is stable with the valve still, the loop is stable for small gains; the border is the
    smallest multiplier that puts the exact loop response through -1, at a phase crossover or at half the
    update rate. Source: Nyquist; derivation our own.
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
