"""Random numbers: the generator against its authors' known answers, and what is made of it."""

from __future__ import annotations

import numpy as np
import pytest

from sim.noise import ROUNDS, SCATTER_STREAM, SENSOR_STREAM, VALVE_STREAM, gauss, philox_2x32, uniform

# File kat_vectors of the Random123 distribution (D. E. Shaw Research): known answers of
# philox2x32 as rounds, counter (two words), key, expected (two words).
KNOWN_ANSWERS = [
    (7, (0x00000000, 0x00000000), 0x00000000, (0x257A3673, 0xCD26BE2A)),
    (7, (0xFFFFFFFF, 0xFFFFFFFF), 0xFFFFFFFF, (0xAB302C4D, 0x3DC9D239)),
    (7, (0x243F6A88, 0x85A308D3), 0x13198A2E, (0xBEDBBE6B, 0xE4C770B3)),
    (10, (0x00000000, 0x00000000), 0x00000000, (0xFF1DAE59, 0x6CD10DF2)),
    (10, (0xFFFFFFFF, 0xFFFFFFFF), 0xFFFFFFFF, (0x2C3F628B, 0xAB4FD7AD)),
    (10, (0x243F6A88, 0x85A308D3), 0x13198A2E, (0xDD7CE038, 0xF62A4C12)),
]
DRAWS = 200_000


def drawn(seed: int, stream: int, count: int = DRAWS) -> np.ndarray:
    """The first numbers of a stream."""
    return np.fromiter((gauss(float(seed), stream, float(i)) for i in range(count)), float, count)


@pytest.mark.parametrize(("rounds", "counter", "key", "expected"), KNOWN_ANSWERS)
def test_philox_gives_the_known_answers(
    rounds: int, counter: tuple[int, int], key: int, expected: tuple[int, int]
) -> None:
    left, right = philox_2x32(counter[0], counter[1], key, rounds)
    assert (int(left), int(right)) == expected


def test_the_simulation_uses_no_fewer_rounds_than_pass_all_tests() -> None:
    # Salmon, Moraes, Dror and Shaw (SC11, 2011): seven rounds of philox2x32 pass BigCrush
    # (from memory).
    assert ROUNDS >= 7


def test_moments_of_the_normal_numbers() -> None:
    z = drawn(1, SCATTER_STREAM)
    # Standard errors of mean, variance and kurtosis of a normal sample of this size, times four.
    assert abs(z.mean()) < 4.0 / DRAWS**0.5
    assert abs(z.var() - 1.0) < 0.001 + 4.0 * (2.0 / DRAWS) ** 0.5
    assert abs((z**3).mean()) < 4.0 * (15.0 / DRAWS) ** 0.5
    assert abs((z**4).mean() / z.var() ** 2 - 3.0) < 0.1
    assert np.abs(z).max() <= 4.0


def test_quantiles_are_those_of_the_normal_distribution() -> None:
    # Standard normal quantiles of 0.5, 2.5, 16, 84, 97.5, 99.5 % (any table of the normal law).
    wanted = [-2.5758, -1.9600, -0.9945, 0.9945, 1.9600, 2.5758]
    seen = np.quantile(drawn(2, SCATTER_STREAM), [0.005, 0.025, 0.16, 0.84, 0.975, 0.995])
    np.testing.assert_allclose(seen, wanted, atol=0.04)


def test_numbers_streams_and_seeds_are_independent() -> None:
    z = drawn(3, SCATTER_STREAM)
    least = 4.0 / DRAWS**0.5
    for lag in (1, 2, 3, 4, 8, 64):
        assert abs((z[lag:] * z[:-lag]).mean()) < least
    assert abs((z * drawn(3, SENSOR_STREAM)).mean()) < least
    assert abs((z * drawn(4, SCATTER_STREAM)).mean()) < least


def test_a_number_depends_on_nothing_but_its_purpose() -> None:
    first = [gauss(7.0, SCATTER_STREAM, float(i)) for i in range(100)]
    backwards = [gauss(7.0, SCATTER_STREAM, float(i)) for i in reversed(range(100))]
    assert first == backwards[::-1]
    largest = float(2**31 - 1)
    assert gauss(largest, SCATTER_STREAM, largest) != gauss(largest - 1.0, SCATTER_STREAM, largest)


def test_uniform_numbers_fill_their_range_evenly() -> None:
    u = np.fromiter((uniform(5.0, VALVE_STREAM, float(i)) for i in range(DRAWS)), float, DRAWS)
    assert u.min() >= 0.0
    assert u.max() < 1.0
    counts, _ = np.histogram(u, bins=256, range=(0.0, 1.0))
    chi_square = ((counts - DRAWS / 256.0) ** 2 / (DRAWS / 256.0)).sum()
    # 255 degrees of freedom: mean 255, standard deviation 22.6.
    assert 255.0 - 4.0 * 22.6 < chi_square < 255.0 + 4.0 * 22.6
