"""Intake manifold: filling through the openings, emptying into the cylinders."""

from __future__ import annotations

from controllers import pick, relation

MOST_FILLING = 1.2
"""Volumetric efficiency is not extrapolated beyond this: resonance tuning gives no more [-]."""


@relation
def drawn_per_rad(
    map_Pa: float, speed_rad_s: float, pump0: float, pump1: float, pump2: float, pump3: float,
    fill0: float, fill1: float,
) -> float:  # fmt: skip
    """Air the cylinders draw for each radian the crank turns.

    Speed-density pumping: a cubic in manifold pressure (displaced volume less what the residual gas takes by
    expanding, see ``sim.car_record.pumping_coefficients``) times a volumetric efficiency linear in speed.
    Source: Guzzella and Onder, Introduction to Modeling and Control of Internal Combustion Engine Systems
    (Springer), engine mass flow.

    Parameters
    ----------
    map_Pa, speed_rad_s : float
        Manifold pressure and crank speed [Pa, rad/s].
    pump0, pump1, pump2, pump3 : float
        Coefficients over pressure [kg/rad, kg/(rad Pa), kg/(rad Pa2), kg/(rad Pa3)].
    fill0, fill1 : float
        Volumetric efficiency at zero speed and its slope [-, s/rad].

    Returns
    -------
    float, never negative [kg/rad]
    """
    # In two halves rather than nested: the processor works on both at once.
    charge = (pump0 + pump1 * map_Pa) + map_Pa * map_Pa * (pump2 + pump3 * map_Pa)
    filling = fill0 + fill1 * speed_rad_s
    drawn = charge * pick(filling < MOST_FILLING, filling, MOST_FILLING)
    return drawn if drawn > 0.0 else 0.0


@relation
def pressure_rate(gas_Pa_per_kg: float, in_kg_s: float, out_kg_s: float) -> float:
    """Rate of manifold pressure at constant gas temperature.

    Source: Heywood, Internal Combustion Engine Fundamentals (1988), ch. 7, filling and emptying.

    Parameters
    ----------
    gas_Pa_per_kg, in_kg_s, out_kg_s : float
        R T / V of the manifold [Pa/kg]; air in and out [kg/s].

    Returns
    -------
    float [Pa/s]
    """
    return gas_Pa_per_kg * (in_kg_s - out_kg_s)
