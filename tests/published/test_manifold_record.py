"""A measured intake manifold fills as the model's own relations say.

Record: intake manifold filling at constant engine speed, 100 Hz, one minute, air flow in and
manifold pressure; engine-systems laboratory of a university, public course repository (see
SOURCES.md beside the data).  A first-order filling law with pumping linear to quadratic in
pressure leaves 0.80 kPa rms, the record's own noise (checks.md 6, computed there).
"""

from __future__ import annotations

from pathlib import Path

import numba
import numpy as np
import pytest
from scipy.optimize import least_squares

from sim.manifold import drawn_per_rad, pressure_rate

SPEED_rad_s = 100.0
"""Not recorded, only held: a unit for the pumping coefficients."""
PRINTED_kPa = 0.80


@numba.njit
def filled(
    time_s: np.ndarray, air_in_kg_s: np.ndarray, start_Pa: float, gas: float, pump: np.ndarray
) -> np.ndarray:
    """Pressure over time by the model's relations, four steps a sample."""
    pressure_Pa = np.empty(time_s.size)
    pressure_Pa[0] = start_Pa
    for row in range(1, time_s.size):
        step_s = (time_s[row] - time_s[row - 1]) / 4.0
        now = pressure_Pa[row - 1]
        for _ in range(4):
            air_in = air_in_kg_s[row - 1]
            per_rad = drawn_per_rad(now, SPEED_rad_s, pump[0], pump[1], pump[2], 0.0, 1.0, 0.0)
            now += step_s * pressure_rate(gas, air_in, per_rad * SPEED_rad_s)
        pressure_Pa[row] = now
    return pressure_Pa


@pytest.fixture(scope="module")
def record(shared_data: Path) -> np.ndarray:
    path = shared_data / "manifold_filling_record.csv"
    return np.genfromtxt(path, delimiter=",", comments="#", skip_header=3)


def fit(record: np.ndarray, order: int) -> tuple[np.ndarray, float]:
    """Parameters and root mean square of what is left [kPa]."""
    time_s, air, pressure = record.T
    # Steady: air in is air out, so that a straight line through both starts the pumping.
    slope = float(np.dot(air - air.mean(), pressure - pressure.mean()) / np.var(pressure)) / air.size

    def parts(x: np.ndarray) -> tuple[float, np.ndarray, float]:
        pump = np.zeros(3)
        pump[: order + 1] = x[2 : 3 + order] * np.array([1e-3, 1e-7, 1e-12])[: order + 1]
        return float(np.exp(x[0]) * 1e7), pump / SPEED_rad_s, float(x[1]) * 1e4

    def left(x: np.ndarray) -> np.ndarray:
        gas, pump, start_Pa = parts(x)
        modelled = filled(time_s, air, start_Pa, gas, pump)
        return np.asarray((modelled - pressure) / 1000.0)

    start = [0.0, pressure[0] / 1e4, (air.mean() - slope * pressure.mean()) / 1e-3, slope / 1e-7]
    found = least_squares(left, [*start, *[0.0] * (order - 1)], x_scale="jac")
    return found.x, float(np.sqrt(np.mean(found.fun**2)))


@pytest.mark.parametrize("order", [1, 2])
def test_first_order_filling_leaves_the_record_s_noise(record: np.ndarray, order: int) -> None:
    _, rms_kPa = fit(record, order)
    assert rms_kPa == pytest.approx(PRINTED_kPa, abs=0.005 + 0.005 * (order == 1))


def test_the_volume_found_is_one_that_an_engine_has(record: np.ndarray) -> None:
    x, _ = fit(record, 2)
    volume_cm3 = 287.053 * 300.0 / (float(np.exp(x[0])) * 1e7) * 1e6
    assert 1000.0 < volume_cm3 < 20000.0
