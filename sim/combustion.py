"""Combustion: from the charge of one cylinder to work on the crank, and the wall film."""

from __future__ import annotations

import math

from controllers import relation

STOICHIOMETRIC_AIR_TO_FUEL = 14.7
"""Mass of air for one of petrol [-]; Heywood (1988), appendix D, typical petrol 14.6 to 14.7."""
COLDEST_START_degC, EASY_START_degC = -30.0, 50.0  # Between these a start grows easier; assumed [degC].
COLD_TABLE_degC, WARM_TABLE_degC = -20.0, 60.0
"""Between these the idle tables for spark and mixture change from cold to warm; assumed [degC]."""
LEAN_ROUGHNESS, LEANEST = 10.0, 0.3
"""Scatter grows by so much for each unit of lambda above 1, up to so far above [-]."""


@relation
def spark_efficiency(spark_deg: float, best_deg: float, loss_per_deg2: float) -> float:
    """Share of the best work that is left when the spark is off its best point.

    Source: Guzzella and Onder, torque generation: a parabola about the best point.

    Parameters
    ----------
    spark_deg, best_deg, loss_per_deg2 : float
        Spark advance before top dead centre, and that of best torque [deg]; curvature [1/deg2].

    Returns
    -------
    float, 0 to 1 [-]
    """
    off = spark_deg - best_deg
    efficiency = 1.0 - loss_per_deg2 * off * off
    return efficiency if efficiency > 0.0 else 0.0


@relation
def mixture_efficiency(lambda_: float, best_lambda: float, loss: float) -> float:
    """Share of the best work that is left when the mixture is off its best point.

    Source: Guzzella and Onder, torque generation; parabola: common practice, no source.

    Parameters
    ----------
    lambda_, best_lambda, loss : float
        Air-fuel ratio over stoichiometric, and that of best torque, about 0.9 [-]; curvature per lambda
        squared [-].

    Returns
    -------
    float, 0 to 1 [-]
    """
    off = lambda_ - best_lambda
    efficiency = 1.0 - loss * off * off
    return efficiency if efficiency > 0.0 else 0.0


@relation
def cold_share(sensed_degC: float) -> float:
    """How cold an engine is by its tables of spark and mixture.

    Source: assumed: a straight line; that a cold engine gets more advance and fuel is common practice, no
    source.

    Parameters
    ----------
    sensed_degC : float
        Temperature that the controller reads [degC].

    Returns
    -------
    float, 1 at -20 degC and below, 0 at 60 degC and above [-]
    """
    cold = (WARM_TABLE_degC - sensed_degC) / (WARM_TABLE_degC - COLD_TABLE_degC)
    cold = cold if cold > 0.0 else 0.0
    return cold if cold < 1.0 else 1.0


@relation
def scatter_next(scatter: float, memory: float, fresh: float, gauss: float) -> float:
    """Next value of the cyclic scatter, first-order memory from firing to firing, unit variance.

    Source: first-order autoregressive process, any textbook on time series.

    Parameters
    ----------
    scatter, gauss, memory, fresh : float
        Present value, and a fresh normal number [-]; correlation of one firing with the next, 0 to below 1,
        and sqrt(1 - memory2) [-].

    Returns
    -------
    float [-]
    """
    return memory * scatter + fresh * gauss


@relation
def lean_roughness(lambda_: float) -> float:
    """Growth of cyclic scatter of a mixture leaner than its chemistry needs.

    Source: that a lean idle roughens is common practice, no source; a straight line of ours.

    Parameters
    ----------
    lambda_ : float
        Air over stoichiometric air, 0.6 to 1.5 [-].

    Returns
    -------
    float, factor of the scatter, 1 up to 1.0, 2 at 1.1 [-]
    """
    leaner = lambda_ - 1.0
    leaner = leaner if leaner > 0.0 else 0.0
    leaner = leaner if leaner < LEANEST else LEANEST
    return 1.0 + LEAN_ROUGHNESS * leaner


@relation
def film_evaporated(film_kg: float, elapsed_s: float, wall_s: float) -> float:
    """Fuel that leaves the port wall film between two firings.

    Source: Aquino, Transient A/F Control Characteristics of the 5 Liter Central Fuel Injection Engine, SAE
    810494 (1981): X-tau model; implicit Euler over the interval.

    Parameters
    ----------
    film_kg, elapsed_s, wall_s : float
        Fuel on the wall [kg]; time since the last firing, and time constant of evaporation [s].

    Returns
    -------
    float, less than the film [kg]
    """
    return film_kg * elapsed_s / (wall_s + elapsed_s)


@relation
def mixture_lambda(charge_kg: float, fuel_kg: float) -> float:
    """Air-fuel ratio over stoichiometric of one charge.

    Source: definition.

    Parameters
    ----------
    charge_kg, fuel_kg : float
        Air, and fuel, above 0 [kg].

    Returns
    -------
    float, at most 9: a charge without fuel does not burn [-]
    """
    stoichiometric = STOICHIOMETRIC_AIR_TO_FUEL * fuel_kg
    return charge_kg / stoichiometric if charge_kg < 9.0 * stoichiometric else 9.0


@relation
def start_ease(coolant_degC: float) -> float:
    """How easily fuel evaporates in an engine that is being started.

    Source: assumed; that first firings are poor when cold is common practice, no source.

    Parameters
    ----------
    coolant_degC : float [degC]

    Returns
    -------
    float, 0 stone cold, 1 warm [-]
    """
    ease = (coolant_degC - COLDEST_START_degC) / (EASY_START_degC - COLDEST_START_degC)
    ease = ease if ease > 0.0 else 0.0
    return ease if ease < 1.0 else 1.0


@relation
def start_firings(coolant_degC: float) -> float:
    """Firings after which a start has gained two thirds of what its charges lacked.

    Source: assumed, see ``start_ease``.

    Parameters
    ----------
    coolant_degC : float [degC]

    Returns
    -------
    float [-]
    """
    return 30.0 - 26.0 * start_ease(coolant_degC)


@relation
def start_chance(coolant_degC: float, number: float) -> float:
    """Chance that a charge of a starting engine lights.

    Source: assumed, see ``start_ease``.

    Parameters
    ----------
    coolant_degC : float [degC]
    number : float
        Which fuelled charge since cranking began, from 1 [-].

    Returns
    -------
    float, 0 to 1 [-]
    """
    first = 0.25 + 0.7 * start_ease(coolant_degC)
    return 1.0 - (1.0 - first) * math.exp(-3.0 * number / start_firings(coolant_degC))


@relation
def start_burn(coolant_degC: float, number: float) -> float:
    """Share of its work that a lit charge of a starting engine gives.

    Source: assumed, see ``start_ease``.

    Parameters
    ----------
    coolant_degC : float [degC]
    number : float
        Which fuelled charge since cranking began, from 1 [-].

    Returns
    -------
    float, 0 to 1 [-]
    """
    first = 0.6 + 0.35 * start_ease(coolant_degC)
    return 1.0 - (1.0 - first) * math.exp(-number / start_firings(coolant_degC))
