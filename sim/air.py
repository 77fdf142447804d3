"""Air: the standard atmosphere and the compressible flow through a small opening."""

from __future__ import annotations

import math

from controllers import relation

GAMMA = 1.4  # Ratio of specific heats of air [-].
R_AIR = 287.053  # Specific gas constant of dry air [J/(kg K)]; ISO 2533:1975 gives 287.05287.
CRITICAL_RATIO = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
"""Pressure ratio below which the opening is choked, 0.5283 [-]."""
CHOKED_FLOW = math.sqrt(GAMMA) * (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))
"""Choked flow parameter m sqrt(R T)/(A p), 0.6847 [-]."""
LINEAR_RATIO = 0.99  # Above this pressure ratio the flow is made linear in the pressure difference [-].
SEA_LEVEL_Pa = 101325.0
SEA_LEVEL_K = 288.15
LAPSE_K_PER_m = 0.0065
GRAVITY_m_PER_s2 = 9.80665

_LINEAR_ROOT = LINEAR_RATIO ** (1.0 / 7.0)
_LINEAR_FLOW = math.sqrt(7.0 * _LINEAR_ROOT**10 * (1.0 - _LINEAR_ROOT**2))


@relation
def flow_parameter(ratio: float) -> float:
    """Flow through an opening per area, as m sqrt(R T)/(A p) of the upstream side.

    Isentropic flow of a perfect gas to the throat, gamma 1.4, pressure not recovered behind it. Close to
    equal pressures the slope would be infinite, which no real small opening shows (its flow is laminar
    there): above ``LINEAR_RATIO`` the flow is linear, and it reverses.
    Source: NACA Report 1135, Equations, Tables, and Charts for Compressible Flow (1953), isentropic flow; the
    linear part: common practice, no source.

    Parameters
    ----------
    ratio : float
        Downstream over upstream pressure, 0 to about 1.2 [-].

    Returns
    -------
    float, 0 to 0.6847; negative where the flow reverses [-]
    """
    if ratio <= CRITICAL_RATIO:
        return CHOKED_FLOW
    if ratio >= LINEAR_RATIO:
        return _LINEAR_FLOW * (1.0 - ratio) / (1.0 - LINEAR_RATIO)
    root = ratio ** (1.0 / 7.0)
    square = root * root
    fifth = square * square * root
    return math.sqrt(7.0 * fifth * fifth * (1.0 - square))


@relation
def flow_slope_bound(ratio: float) -> float:
    """Largest fall of the flow parameter per unit of pressure ratio at or above a ratio.

    Used to choose a step that the integrator can take stably, never in the physics.
    Source: differences of ``flow_parameter`` itself, rounded up.

    Parameters
    ----------
    ratio : float
        Downstream over upstream pressure [-].

    Returns
    -------
    float, bound on |d flow_parameter / d ratio| over the next step [-]
    """
    if ratio < 0.6:
        return 1.0
    if ratio < 0.93:
        return 4.0
    return 15.0


@relation
def series_area(first_m2: float, second_m2: float) -> float:
    """Effective area of two openings one after the other.

    Losses in series add as 1/A2: exact for small pressure drops, within a few percent when one opening is
    much the smaller (common practice, no source).

    Parameters
    ----------
    first_m2, second_m2 : float
        Effective areas, the second above 0, infinity if there is none [m2].

    Returns
    -------
    float [m2]
    """
    inverse = first_m2 / second_m2
    return first_m2 / math.sqrt(1.0 + inverse * inverse)


@relation
def choked_flow_per_area(pressure_Pa: float, temperature_K: float) -> float:
    """Upstream pressure over sqrt(R T): multiply by area and flow parameter for kg/s.

    Source: NACA Report 1135 (1953).

    Parameters
    ----------
    pressure_Pa, temperature_K : float
        Upstream [Pa, K].

    Returns
    -------
    float [kg/(s m2)]
    """
    return pressure_Pa / math.sqrt(R_AIR * temperature_K)


def standard_atmosphere(altitude_m: float) -> tuple[float, float]:
    """Pressure and temperature of the standard atmosphere, -1000 to 11000 m [Pa, K].

    Source: ISO 2533:1975 / US Standard Atmosphere 1976, troposphere.
    """
    temperature_K = SEA_LEVEL_K - LAPSE_K_PER_m * altitude_m
    exponent = GRAVITY_m_PER_s2 / (R_AIR * LAPSE_K_PER_m)
    return SEA_LEVEL_Pa * (temperature_K / SEA_LEVEL_K) ** exponent, temperature_K
