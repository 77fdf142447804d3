"""What is known of an engine without a log: cool, it idles on the base curve its owner has set.

A warm log says nothing of the valve's far positions.  The base curve does: it was set by hand
until the engine idled, cool as well as warm, if less well.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sim import Car
from tuning.logs import Log

Floats = NDArray[np.float64]

COOL_degC = (20.0, 50.0)
"""Temperatures at which the base curve is believed [degC]."""
COOLER_K = 20.0
"""It is believed this far below what was recorded, where the log says nothing itself [K]."""
COOL_SD_rpm = 100.0
"""How far a cool engine may idle from its target on a base curve set by hand; our judgement
[rpm]."""
WARM_degC = 90.0


def cool_places(car: Car, logs: Sequence[Log]) -> Floats:
    """Where the base curve tells what the logs do not.

    Parameters
    ----------
    car : Car
        With its base curve and target.
    logs : sequence of Log
        What was recorded.

    Returns
    -------
    ndarray
        Shape (places, 3): coolant [degC], base curve [steps], target [rpm]; none where the curve
        gives the same steps as warm, for then it was not set by hand.
    """
    recorded = [one.coolant_degC for one in logs if one.coolant_degC is not None]
    coolest = min((float(np.min(values)) for values in recorded), default=WARM_degC)
    base, target = (
        np.asarray(curve, dtype=float) for curve in (car.curves.base_steps, car.curves.target_rpm)
    )
    warm_steps = float(np.interp(coolest, base[:, 0], base[:, 1]))
    places = [
        (degC, float(np.interp(degC, *base.T)), float(np.interp(degC, *target.T)))
        for degC in COOL_degC
        if degC <= coolest - COOLER_K and degC >= base[0, 0]
    ]
    return np.array([one for one in places if one[1] > warm_steps]).reshape(-1, 3)


def cool_errors(car: Car, places: Floats) -> Floats:
    """How far a car is from idling at its target on its base curve, cool.

    Parameters
    ----------
    car : Car
        The car.
    places : ndarray
        As of ``cool_places``.

    Returns
    -------
    ndarray
        Shape (places,): over what is believed [-].
    """
    from sim.linearise import settled_rpm

    return np.array(
        [
            (float(settled_rpm(car, [steps], degC)[0]) - target_rpm) / COOL_SD_rpm
            for degC, steps, target_rpm in places
        ]
    )
