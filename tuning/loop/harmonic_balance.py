"""Limit cycles of one nonlinearity in a linear loop by its describing function."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tuning.loop.delays import Reals

Response = Callable[[Any], Any]
"""Frequency response: angular frequency [rad/s], any shape, to complex values."""


@dataclass(frozen=True)
class Balance:
    """A solution of N(A) L(jw) = -1: a limit cycle as the describing function sees it.

    Parameters
    ----------
    amplitude : float
        Amplitude at the nonlinearity's input [unit of its input].
    omega_rad_s : float
        Frequency [rad/s].
    stable : bool
        Whether the cycle attracts (Loeb's criterion).
    """

    amplitude: float
    omega_rad_s: float
    stable: bool


def loeb_stable(defect: Callable[[float, float], complex], amplitude: float, omega: float) -> bool:
    """Loeb's criterion: whether a limit cycle pulls its neighbours in.

    Gives true if (dU/dA)(dV/dw) - (dV/dA)(dU/dw) > 0 with U + jV the defect.

    Source: Gelb & Vander Velde 1968, section 3 (from memory).  A criterion of first harmonics:
    right where the describing function is.
    """
    da, dw = 1e-4 * amplitude, 1e-4 * omega
    by_a = (defect(amplitude + da, omega) - defect(amplitude - da, omega)) / (2.0 * da)
    by_w = (defect(amplitude, omega + dw) - defect(amplitude, omega - dw)) / (2.0 * dw)
    return (by_a.conjugate() * by_w).imag > 0.0


def harmonic_balance(
    response: Response, nonlinearity: Any, amplitudes: ArrayLike, omegas_rad_s: ArrayLike
) -> list[Balance]:
    """All limit cycles of a nonlinearity in a linear loop, by its describing function.

    Gives in order of amplitude; empty if there is none.

    python-control's ``describing_function_response`` finds the crossings of the two curves on
    the grid; each is then polished on the exact response by ``scipy.optimize.root`` (kept as
    found where the describing function has an edge that the polish cannot cross).
    Source: python-control; stability by ``loeb_stable``.
    """
    import control
    from scipy.optimize import root

    size = np.asarray(amplitudes, dtype=float)
    omega = np.asarray(omegas_rad_s, dtype=float)
    gains = control.describing_function(nonlinearity, size)
    size = size[np.isfinite(gains) & (gains != 0.0)]
    if size.size < 2:
        return []
    linear = control.frd(response(omega), omega, smooth=True)
    rough = control.describing_function_response(linear, nonlinearity, size, omega, refine=False)

    def defect(a: float, w: float) -> complex:
        gain = complex(nonlinearity.describing_function(max(a, 0.0)))
        return 1.0 + gain * complex(response(max(w, 1e-12)))

    def pair(x: Reals) -> list[float]:
        value = defect(float(x[0]), float(x[1]))
        return [value.real, value.imag]

    found: list[Balance] = []
    for crossing in sorted(rough.intersections):
        polished = root(pair, crossing)
        near = bool(np.all(np.abs(polished.x / np.asarray(crossing) - 1.0) < 0.1))
        a, w = (float(value) for value in (polished.x if polished.success and near else crossing))
        if not any(abs(a / b.amplitude - 1) + abs(w / b.omega_rad_s - 1) < 1e-4 for b in found):
            found.append(Balance(a, w, loeb_stable(defect, a, w)))
    return found
