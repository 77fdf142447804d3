"""A car's law as theory sees it: linear part, resting band, size of moves."""

from __future__ import annotations

from controllers import law_of
from sim import Car
from tuning.loop.sampled_loop import SampledLaw


def linear_law(car: Car) -> SampledLaw | None:
    """The linear part of a car's law, as the law describes it.

    Parameters
    ----------
    car : Car

    Returns
    -------
    SampledLaw or None
        None where feedback is off or all its gains are 0.
    """
    gain, integral, derivative = law_of(car.feedback).linear(car.feedback)
    if gain == 0.0 and integral == 0.0:
        return None
    return SampledLaw(gain, integral, car.feedback.update_period_ms / 1000.0, derivative)


def resting_deadband_rpm(car: Car) -> float:
    """Half-width within which a car's law leaves the valve alone, as the law describes it.

    Parameters
    ----------
    car : Car

    Returns
    -------
    float [rpm]
    """
    return law_of(car.feedback).resting_band_rpm(car.feedback)


def tread_steps(car: Car) -> int:
    """Distance of the positions between which the valve goes to and fro, as the law describes it.

    Parameters
    ----------
    car : Car

    Returns
    -------
    int [steps]
    """
    return law_of(car.feedback).tread_steps(car.feedback)
