"""Temperatures: how engine and oil warm on fuel heat, and how cold oil raises friction."""

from __future__ import annotations

import math

from controllers import relation

WARM_degC = 90.0  # Temperature at which friction is as the warm correlation says [degC].
VISCOSITY_EXPONENT = 0.25  # Friction scales with this power of the viscosity ratio.
RUBBING_SHARE = 0.75  # Share of a friction figure with pumping in it that follows the oil; assumed.
CLASS_100_mm2_s = {"20": 8.1, "30": 10.9, "40": 14.4, "50": 19.1}
"""Middle of each SAE J300 class at 100 degC [mm2/s]."""
CLASS_40_mm2_s = {"20": 62.0, "30": 97.0, "40": 145.0, "50": 215.0}
"""The same oils at 40 degC where nothing thickens them when hot, as in oils of one grade; from memory,
typical of mineral oils with a viscosity index of 95 to 100 [mm2/s]."""
CRANKING_LIMIT = {
    "0W": (-35.0, 6200.0),
    "5W": (-30.0, 6600.0),
    "10W": (-25.0, 7000.0),
    "15W": (-20.0, 7000.0),
    "20W": (-15.0, 9500.0),
    "25W": (-10.0, 13000.0),
}
"""SAE J300 cranking limit of each winter grade: temperature [degC] and viscosity [mPa s]."""
OIL_DENSITY_15 = 0.875
OIL_EXPANSION_PER_K = 6.5e-4
"""Density at 15 degC over that of water, and its fall; from memory, typical of engine oils."""
AIR_TO_FUEL = 14.7
HEATING_VALUE_J_PER_kg = 43.0e6  # Heat of a kilogram of petrol; Heywood (1988), appendix D: 43 to 44 MJ/kg.
OIL_FOLLOWS_s = 240.0  # Time constant with which the oil follows the engine block; assumed [s].
OIL_LOSS_SHARE = {"water": 0.15, "air": 0.35}
"""Oil's loss to the air over its exchange with the engine: a sump in the wind of the car at rest, and one
that the fan blows at, or with an oil cooler; assumed [-]."""
FRICTION_HEAT_SHARE = 0.4  # Share of friction work that warms the oil; assumed [-].
OPENING_K = 8.0  # A thermostat opens over this span; common practice, no source [K].
RADIATOR_OVER_LOSS = 25.0  # Radiator over the block's own loss; assumed [-].
SHUT_FLAP_SHARE = 0.35  # Loss with the cooling air shut off over that with it let in; assumed [-].
STILL_AIR_SHARE = 0.15  # Loss of an air-cooled engine whose fan stands still; assumed [-].
STANDING_SHARE = 0.25
"""Loss of a water-cooled engine that stands, pump and fan at rest, over its block's own, and of any engine's
oil; assumed: a few hours from hot to cold, common practice, no source [-]."""
TURNING_rad_s = 5.0  # Slower than this an engine stands [rad/s].
WARM_AIR_degC = 60.0  # From here on an engine warms its inlet air as fully as it ever does; assumed [degC].


def oil_constants(grade: str) -> tuple[float, float]:
    """Fit the viscosity law to an SAE grade such as "10W-40", or "30" for an oil of one grade [-].

    Source: ASTM D341 through two points of SAE J300: the middle of the class at 100 degC and the cranking
    limit of the winter grade, made kinematic by a typical density; an oil of one grade has no such limit, and
    a typical viscosity at 40 degC instead.
    """
    winter, _, summer = grade.rpartition("-")
    if not winter:
        return law_through(40.0, CLASS_40_mm2_s[summer], 100.0, CLASS_100_mm2_s[summer])
    cold_degC, cold_limit = CRANKING_LIMIT[winter]
    density = OIL_DENSITY_15 * (1.0 - OIL_EXPANSION_PER_K * (cold_degC - 15.0))
    points = ((cold_degC, cold_limit / density), (100.0, CLASS_100_mm2_s[summer]))
    return law_through(*points[0], *points[1])


def law_through(
    first_degC: float, first_mm2_s: float, second_degC: float, second_mm2_s: float
) -> tuple[float, float]:
    """A and B of the viscosity law through two points, temperature [degC] and viscosity above 2 [mm2/s]."""
    left = [math.log10(math.log10(nu + 0.7)) for nu in (first_mm2_s, second_mm2_s)]
    below = [math.log10(degC + 273.0) for degC in (first_degC, second_degC)]
    b = (left[0] - left[1]) / (below[1] - below[0])
    return left[0] + b * below[0], b


@relation
def oil_viscosity_mm2_s(oil_degC: float, oil_a: float, oil_b: float) -> float:
    """Kinematic viscosity of an engine oil.

    Source: ASTM D341: log10 log10 (nu + 0.7) = A - B log10 T, T in degC + 273.

    Parameters
    ----------
    oil_degC, oil_a, oil_b : float
        -45 to 200; held at -45 below [degC]; constants A and B of the oil [-].

    Returns
    -------
    float [mm2/s]
    """
    kelvin = max(oil_degC, -45.0) + 273.0
    return 10.0 ** (10.0 ** (oil_a - oil_b * math.log10(kelvin))) - 0.7


@relation
def cold_friction_factor(
    oil_degC: float, oil_a: float, oil_b: float, warm_mm2_s: float, rubbing_share: float
) -> float:
    """Factor on warm friction.

    Source: friction scales with the viscosity ratio to a power of about 0.25 (published exponents 0.19 to
    0.5; from memory); pumping does not, where the figure includes it.

    Parameters
    ----------
    oil_degC : float [degC]
    oil_a, oil_b, warm_mm2_s, rubbing_share : float
        Constants A and B of the oil [-]; its viscosity at ``WARM_degC`` [mm2/s]; share of the friction that
        follows the oil, 0 to 1 [-].

    Returns
    -------
    float, 1 when warm [-]
    """
    ratio = oil_viscosity_mm2_s(oil_degC, oil_a, oil_b) / warm_mm2_s
    return 1.0 + rubbing_share * (ratio**VISCOSITY_EXPONENT - 1.0)


@relation
def cooling_W_per_K(
    coolant_degC: float, speed_rad_s: float, loss_W_per_K: float, thermostat_degC: float, air_cooled: float
) -> float:
    """Heat an engine loses to the surrounding air for each kelvin above it.

    Source: forced convection grows with speed to the power of 0.8 (Dittus and Boelter, any textbook of heat
    transfer); a thermostat that opens in a line, and one that lets the cooling air in: common practice, no
    source.

    Parameters
    ----------
    coolant_degC, thermostat_degC, speed_rad_s : float
        Coolant, or head of an air-cooled engine, and where the radiator, or the flap of the cooling air,
        begins to open [degC]; crank speed, which turns the fan or the water pump [rad/s].
    loss_W_per_K, air_cooled : float
        Loss of the block; of the finned engine with its fan at 1000 rpm [W/K]; 1 with a fan and no radiator,
        else 0 [-].

    Returns
    -------
    float [W/K]
    """
    if air_cooled < 0.5 and speed_rad_s < TURNING_rad_s:
        return loss_W_per_K * STANDING_SHARE
    opened = (coolant_degC - thermostat_degC) / OPENING_K
    opened = opened if opened > 0.0 else 0.0
    opened = opened if opened < 1.0 else 1.0
    if air_cooled > 0.5:
        let_in = SHUT_FLAP_SHARE + (1.0 - SHUT_FLAP_SHARE) * opened
        blown = let_in * (speed_rad_s * (30.0 / math.pi) / 1000.0) ** 0.8
        return loss_W_per_K * (blown if blown > STILL_AIR_SHARE else STILL_AIR_SHARE)
    return loss_W_per_K * (1.0 + RADIATOR_OVER_LOSS * opened)


@relation
def manifold_K(coolant_degC: float, ambient_K: float, warm_K: float) -> float:
    """Temperature of the air in the manifold.

    Source: assumed: a straight line between the two.

    Parameters
    ----------
    coolant_degC, ambient_K, warm_K : float
        Coolant, or cylinder head of an air-cooled engine [degC]; surroundings, and what it is with the engine
        warm [K].

    Returns
    -------
    float, as outside with the engine as cold, ``warm_K`` from 60 degC of coolant on [K]
    """
    if coolant_degC >= WARM_AIR_degC:
        return warm_K
    coolant_K = coolant_degC + 273.15
    cold_K = ambient_K if ambient_K < coolant_K else coolant_K
    return cold_K + (warm_K - cold_K) * (coolant_K - cold_K) / (WARM_AIR_degC + 273.15 - cold_K)


@relation
def coolant_rate(
    heat_W: float, coolant_degC: float, oil_degC: float, ambient_degC: float, cooling: float,
    oil_J_per_K: float, coolant_J_per_K: float,
) -> float:  # fmt: skip
    """How fast coolant and metal warm.

    Source: heat balance of two lumps; the exchange with the oil is assumed.

    Parameters
    ----------
    heat_W : float
        Fuel heat that reaches them [W].
    coolant_degC, oil_degC, ambient_degC : float [degC]
    cooling, oil_J_per_K, coolant_J_per_K : float
        Loss to the air for each kelvin, see ``cooling_W_per_K`` [W/K]; heat capacities [J/K].

    Returns
    -------
    float [K/s]
    """
    to_oil = oil_J_per_K / OIL_FOLLOWS_s * (coolant_degC - oil_degC)
    return (heat_W - cooling * (coolant_degC - ambient_degC) - to_oil) / coolant_J_per_K


@relation
def oil_rate(
    friction_W: float, coolant_degC: float, oil_degC: float, ambient_degC: float,
    oil_J_per_K: float, loss_share: float,
) -> float:  # fmt: skip
    """How fast the oil warms.

    Source: heat balance of the sump; shares assumed, see the constants of this file.

    Parameters
    ----------
    friction_W : float [W]
    coolant_degC, oil_degC, ambient_degC : float [degC]
    oil_J_per_K, loss_share : float
        Heat capacity of the oil [J/K]; its loss to the air over its exchange with the engine, 0 or more [-].

    Returns
    -------
    float [K/s]
    """
    exchanged = coolant_degC - oil_degC - loss_share * (oil_degC - ambient_degC)
    return FRICTION_HEAT_SHARE * friction_W / oil_J_per_K + exchanged / OIL_FOLLOWS_s
