"""Air against published values: isentropic flow, choked flow, the standard atmosphere."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from sim.air import (
    CHOKED_FLOW,
    CRITICAL_RATIO,
    GAMMA,
    LINEAR_RATIO,
    R_AIR,
    choked_flow_per_area,
    flow_parameter,
    series_area,
    standard_atmosphere,
)

# Standard isentropic tables, gamma 1.4: Mach number, p/p0, A/A* (the classic is NACA Report 1135,
# Equations, Tables, and Charts for Compressible Flow, 1953).
ISENTROPIC = [
    (0.05, 0.9983, 11.5914),
    (0.10, 0.9930, 5.8218),
    (0.15, 0.9844, 3.9103),
    (0.50, 0.8430, 1.3398),
    (0.60, 0.7840, 1.1882),
    (0.90, 0.5913, 1.0089),
]
# Flow relative to choked over p/p0, computed from the isentropic relations to four digits.
RELATIVE_FLOW = [
    (0.60, 0.9886),
    (0.70, 0.9322),
    (0.80, 0.8188),
    (0.90, 0.6171),
    (0.95, 0.4493),
    (0.98, 0.2889),
]
# ISO 2533:1975 / US Standard Atmosphere 1976 over geopotential height [m]: Pa, K.
ATMOSPHERE = [
    (0.0, 101325.0, 288.15),
    (1000.0, 89875.0, 281.65),
    (2000.0, 79495.0, 275.15),
    (3000.0, 70109.0, 268.65),
    # ISO 2533:1975, printed 54019.9 and 107477 Pa; the digits here from memory.
    (5000.0, 54020.0, 255.65),
    (-500.0, 107477.0, 291.40),
]


def pressure_ratio(mach: float) -> float:
    """Static over total pressure (NACA Report 1135, eq. 44)."""
    return (1.0 + 0.5 * (GAMMA - 1.0) * mach * mach) ** (-GAMMA / (GAMMA - 1.0))


def test_critical_state() -> None:
    # Aeronautical Engineer's Data Book, table A4.2: p/p0 0.5283, rho/rho0 0.6339, T/T0 0.8333.
    assert pytest.approx(0.5283, abs=5e-5) == CRITICAL_RATIO
    assert pytest.approx(0.6339, abs=5e-5) == CRITICAL_RATIO ** (1.0 / GAMMA)
    assert pytest.approx(0.8333, abs=5e-5) == CRITICAL_RATIO ** (1.0 - 1.0 / GAMMA)


@pytest.mark.parametrize(("mach", "ratio", "area"), ISENTROPIC)
def test_flow_is_the_isentropic_table_s(mach: float, ratio: float, area: float) -> None:
    exact = pressure_ratio(mach)
    assert exact == pytest.approx(ratio, abs=5e-5)
    relative = flow_parameter(exact) / CHOKED_FLOW
    if exact < LINEAR_RATIO:
        # Half a unit of the last printed digit of A/A*.
        assert 1.0 / relative == pytest.approx(area, abs=6e-5)
    else:
        # The model's flow is linear here, on purpose: less than isentropic, and never infinite
        # in slope.
        assert 0.4 / area < relative < 1.0 / area


def test_choked_flow_parameter() -> None:
    # m sqrt(R T)/(A p) = 0.6847, computed from the isentropic relations.
    assert pytest.approx(0.6847, abs=5e-5) == CHOKED_FLOW
    for ratio in (0.0, 0.1, 0.3, 0.5, CRITICAL_RATIO):
        assert flow_parameter(ratio) == CHOKED_FLOW


@pytest.mark.parametrize(("ratio", "relative"), RELATIVE_FLOW)
def test_flow_relative_to_choked(ratio: float, relative: float) -> None:
    assert flow_parameter(ratio) / CHOKED_FLOW == pytest.approx(relative, abs=5e-5)


def test_mass_flow_of_one_opening_by_hand() -> None:
    # 10 mm2 choked from 101325 Pa and 288.15 K: 0.68473 * 1e-5 * 101325 / sqrt(287.053 * 288.15).
    flow_kg_s = 1e-5 * choked_flow_per_area(101325.0, 288.15) * CHOKED_FLOW
    assert flow_kg_s == pytest.approx(0.68473 * 1e-5 * 101325.0 / 287.600, rel=2e-4)


def test_flow_is_continuous_falling_and_reverses() -> None:
    ratios = [0.3 + 0.0005 * i for i in range(1601)]
    flows = [flow_parameter(ratio) for ratio in ratios]
    assert all(after <= before for before, after in pairwise(flows))
    assert max(abs(a - b) for a, b in pairwise(flows)) < 0.012
    # The two laws meet where the one takes over.
    assert flow_parameter(LINEAR_RATIO - 1e-9) == pytest.approx(flow_parameter(LINEAR_RATIO), rel=1e-6)
    assert flow_parameter(1.0) == 0.0
    assert flow_parameter(1.05) < 0.0


def test_the_slope_is_never_beyond_what_the_integrator_is_stepped_for() -> None:
    # A small opening shows no infinite slope at equal pressures (common practice, no source); the
    # integrator's steps are chosen for a fall of 15 per unit of pressure ratio.
    for i in range(1, 3200):
        ratio = 0.5 + 0.0002 * i
        slope = (flow_parameter(ratio) - flow_parameter(ratio + 1e-6)) / 1e-6
        assert 0.0 <= slope <= 15.0


@pytest.mark.parametrize(("height_m", "pressure_Pa", "temperature_K"), ATMOSPHERE)
def test_standard_atmosphere(height_m: float, pressure_Pa: float, temperature_K: float) -> None:
    pressure, temperature = standard_atmosphere(height_m)
    assert pressure == pytest.approx(pressure_Pa, abs=1.0)
    assert temperature == pytest.approx(temperature_K, abs=0.005)


def test_gas_constant() -> None:
    # ISO 2533:1975, 287.05287 J/(kg K).
    assert pytest.approx(287.05287, abs=5e-4) == R_AIR


def test_openings_in_series_pass_less_than_either() -> None:
    # Losses in series add as 1/A2: common practice, no source.
    assert series_area(3.0, 4.0) == pytest.approx(12.0 / 5.0)
    assert series_area(3.0, math.inf) == 3.0
    assert series_area(0.0, 4.0) == 0.0
