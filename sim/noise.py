"""Random numbers that depend only on seed, stream and count, never on the order of drawing."""

from __future__ import annotations

from typing import Any

import numpy as np

from controllers import relation

Word = Any  # A whole number of Python or of numpy, 0 to 2**32 - 1.

SCATTER_STREAM = 1
SENSOR_STREAM = 2
VALVE_STREAM = 3
START_STREAM = 4

ROUNDS = 7  # Rounds of the generator: the fewest that its authors found to pass all their tests.
_MULTIPLIER = np.uint64(0xD256D193)
_WEYL = np.uint64(0x9E3779B9)
_LOW = np.uint64(0xFFFFFFFF)
_SHIFT = np.uint64(32)
_HALF = np.uint64(16)
_SIXTEEN = np.uint64(0xFFFF)

_SUM_MEAN = 2.0 * 65535.0
_SUM_SD = ((65536.0**2 - 1.0) / 3.0) ** 0.5
_BEND = 0.3 / 24.0
_VARIANCE = 1.0 - 0.6 * _BEND + (10.92857142857143 - 6.0 * 2.7 + 9.0) * _BEND**2
"""Variance after the Cornish-Fisher term, from the moments 2.7 and 10.93 of four uniforms."""
_SCALE = _VARIANCE**-0.5


@relation
def philox_2x32(count: Word, stream: Word, seed: Word, rounds: int) -> tuple[Word, Word]:
    """Two 32-bit words of the counter-based generator Philox 2x32.

    Source: Salmon, Moraes, Dror and Shaw, Parallel random numbers: as easy as 1, 2, 3, SC11 (2011), doi
    10.1145/2063384.2063405.
    """
    left = np.uint64(count) & _LOW
    right = np.uint64(stream) & _LOW
    key = np.uint64(seed) & _LOW
    for _ in range(rounds):
        product = left * _MULTIPLIER
        left = ((product >> _SHIFT) ^ key ^ right) & _LOW
        right = product & _LOW
        key = (key + _WEYL) & _LOW
    return left, right


@relation
def gauss(seed: float, stream: int, count: float) -> float:
    """Nearly normal number, variance 1 within 0.1 %, bounded at 4: no engine has an infinite charge [-].

    The sum of four uniform numbers of 16 bits, its kurtosis mended by one Cornish-Fisher term (1938).
    """
    first, second = philox_2x32(np.int32(count), stream, np.int32(seed), ROUNDS)
    total = np.int32((first & _SIXTEEN) + (first >> _HALF) + (second & _SIXTEEN) + (second >> _HALF))
    z = (np.float64(total) - _SUM_MEAN) * (1.0 / _SUM_SD)
    return z * (_SCALE + _SCALE * _BEND * (z * z - 3.0))


@relation
def uniform(seed: float, stream: int, count: float) -> float:
    """Uniform number, 0 to below 1 [-]."""
    first, _ = philox_2x32(np.int32(count), stream, np.int32(seed), ROUNDS)
    return np.float64(first) * (1.0 / 4294967296.0)
