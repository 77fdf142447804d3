"""Temperatures: how cold oil raises friction."""

from __future__ import annotations

import math

from controllers import relation

WARM_degC = 90.0
"""Temperature at which friction is as the warm correlation says [degC]."""
OIL_A = 9.5259
OIL_B = 3.7449
"""Constants of the viscosity law for an oil of 32 cSt at 40 degC and 5.4 cSt at 100 degC."""
VISCOSITY_EXPONENT = 0.25
"""Friction scales with this power of the viscosity ratio."""


@relation
def oil_viscosity_cSt(oil_degC: float) -> float:
    """Kinematic viscosity of a light engine oil.

    Parameters
    ----------
    oil_degC : float
        Oil temperature, -40 to 150 [degC].

    Returns
    -------
    float
        Viscosity [cSt].

    Notes
    -----
    Source: ASTM D341: log10 log10 (nu + 0.7) = A - B log10 T, T in degC + 273.
    """
    kelvin = max(oil_degC, -40.0) + 273.0
    return 10.0 ** (10.0 ** (OIL_A - OIL_B * math.log10(kelvin))) - 0.7


@relation
def cold_friction_factor(oil_degC: float) -> float:
    """Factor on warm friction.

    Parameters
    ----------
    oil_degC : float
        Oil temperature [degC].

    Returns
    -------
    float
        Factor, 1 when warm [-].

    Notes
    -----
    Source: friction scales with the viscosity ratio to a power of about 0.25 (published
    exponents 0.19 to 0.5; from memory).
    """
    ratio = oil_viscosity_cSt(oil_degC) / oil_viscosity_cSt(WARM_degC)
    return ratio**VISCOSITY_EXPONENT
