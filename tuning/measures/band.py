"""The band in which hunting lives: one zero-phase band-pass, compiled.

The filter, exactly: samples are averaged in groups to about 10 a second (pairs, for 50 ms); the straight line
through the stretch is taken out; both ends are continued by their mirror image, 10 s or as much as there is;
a second order Butterworth high-pass and low-pass, each a bilinear transform with its corner warped, run one
behind the other from rest, forward over the whole and then backward. Their corners are moved by (sqrt 2 -
1)^(1/4), so that both ways together lose 3 dB at 0.05 Hz and at 2 Hz; averaging pairs of 50 ms loses another
0.4 dB at 2 Hz and 0.1 dB at 1 Hz.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from controllers.compiling import compiled

BAND_LOW_Hz = 0.05  # Lower corner of the hunting band [Hz].
BAND_HIGH_Hz = 2.0  # Upper corner of the hunting band [Hz].
THINNED_s = 0.1  # Spacing of averaged samples aimed at [s]; exact for sampling times that divide it.
SHORTEST_BAND_s = 5.0
"""Shortest stretch that is band-passed [s]: a quarter of the slowest period in the band."""
MIRROR_s = 10.0  # Length of the mirrored ends [s].

_TWO_PASSES = (math.sqrt(2.0) - 1.0) ** 0.25

Floats = NDArray[np.float64]
Samples = NDArray[np.float32]


@compiled
def butterworth(corner_Hz: float, dt_s: float, moved: float) -> tuple[float, float, float, float]:
    """Second order Butterworth filter: scales of its high-pass and its low-pass, a1 and a2 of both [-].

    The high-pass is high (1 - 2/z + 1/z2)/(1 + a1/z + a2/z2), the low-pass low (1 + 2/z + 1/z2) over the
    same. Source: bilinear transform of 1/(s2 + sqrt 2 s + 1) and its mirror image (Oppenheim & Schafer,
    Discrete-Time Signal Processing, from memory); corner of two passes: Winter, Biomechanics and Motor
    Control of Human Movement, from memory.
    """
    warped = math.tan(math.pi * corner_Hz * dt_s) * moved
    square = warped * warped
    scale = 1.0 / (1.0 + math.sqrt(2.0) * warped + square)
    a1 = 2.0 * (square - 1.0) * scale
    return scale, square * scale, a1, (1.0 - math.sqrt(2.0) * warped + square) * scale


@compiled
def run_through(x: Floats, step: int, spacing_s: float) -> None:
    """Run the high-pass and behind it the low-pass over an array, in place, from rest (direct form I)."""
    high, _, h1, h2 = butterworth(BAND_LOW_Hz, spacing_s, _TWO_PASSES)
    _, low, l1, l2 = butterworth(BAND_HIGH_Hz, spacing_s, 1.0 / _TWO_PASSES)
    x1, x2, y1, y2, z1, z2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    i = 0 if step > 0 else x.size - 1
    for _ in range(x.size):
        x0 = x[i]
        y0 = high * (x0 - 2.0 * x1 + x2) - h2 * y2 - h1 * y1
        z0 = low * (y0 + 2.0 * y1 + y2) - l2 * z2 - l1 * z1
        x2, x1, y2, y1, z2, z1 = x1, x0, y1, y0, z1, z0
        x[i] = z0
        i += step


@compiled
def mirror_ends(x: Floats, pad: int) -> None:
    """Fill both ends of an array with the mirror image of what lies between, the end sample not repeated."""
    last = x.size - 1 - pad
    for i in range(1, pad + 1):
        x[pad - i] = x[pad + i]
        x[last + i] = x[last - i]


@compiled
def band_pass(
    rpm: Samples, mean: float, slope: float, dt_s: float, scratch: Floats
) -> tuple[Floats, Floats, float]:
    """Band-pass a stretch of rpm, thinned to about 10 a second: band, scratch left, spacing [rpm, -, s]."""
    thin = max(1, int(math.floor(THINNED_s / dt_s + 0.5)))
    spacing_s = dt_s * thin
    n = rpm.size // thin
    pad = min(int(math.ceil(MIRROR_s / spacing_s)), n - 1)
    whole = scratch[: n + 2 * pad]
    band = whole[pad : pad + n]
    start = mean + slope * 0.5 * (thin - rpm.size)
    for i in range(n):
        total = 0.0
        for j in range(thin):
            total += rpm[i * thin + j]
        band[i] = total / thin - (start + slope * thin * i)
    mirror_ends(whole, pad)
    for step in (1, -1):
        run_through(whole, step, spacing_s)
    return band, scratch[n + 2 * pad :], spacing_s
