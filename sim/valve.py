"""The bypass valve: its area, the pulse it needs, its play."""

from __future__ import annotations

import numpy as np

from controllers import relation
from sim.noise import VALVE_STREAM, uniform
from sim.records import VALVE_TABLE_STEPS

PULL_IN_VOLTS = 12.0  # Voltage at which the car file states the shortest safe pulse [V].
COPPER_PER_K = 0.0039
"""Rise of copper's resistance [1/K]; from memory, any handbook of electrical engineering."""
ALL_LOST_SHARE = 0.5  # At this share of the needed pulse every step is lost [-].


@relation
def table_area(areas_m2: np.ndarray, steps: float) -> float:
    """Valve area at a position: straight lines between whole steps of the fine table.

    Source: the table is a monotone cubic (``sim.monotone``) of the car file's points, see ``sim.car_record``.

    Parameters
    ----------
    areas_m2, steps : numpy.ndarray, float
        Area at whole steps [m2]; opening from the seat [steps].

    Returns
    -------
    float [m2]
    """
    held = steps if steps > 0.0 else 0.0
    below = min(int(held), VALVE_TABLE_STEPS - 2)
    share = held - below
    share = share if share < 1.0 else 1.0
    return areas_m2[below] + share * (areas_m2[below + 1] - areas_m2[below])


@relation
def needed_pulse_s(pull_in_s: float, volts: float, coil_degC: float) -> float:
    """Shortest coil pulse that never skips, at a voltage and coil temperature.

    Source: pull-in torque follows coil current, so voltage over resistance (Acarnley, Stepping Motors, 4th
    ed., ch. 4); that the pulse scales inversely is assumed.

    Parameters
    ----------
    pull_in_s, volts, coil_degC : float
        Shortest safe pulse at 12 V and 20 degC [s]; battery voltage, above 0, and coil temperature [V, degC].

    Returns
    -------
    float [s]
    """
    return pull_in_s * PULL_IN_VOLTS / volts * (1.0 + COPPER_PER_K * (coil_degC - 20.0))


@relation
def step_is_lost(pulse_s: float, needed_s: float, seed: float, count: float) -> bool:
    """Whether one step is lost for want of pulse.

    Source: assumed; that a pulse below about 3 ms may skip is common practice, no source.

    Parameters
    ----------
    pulse_s, needed_s, seed, count : float
        Pulse given and needed [s]; seed of the run and number of the step [-].

    Returns
    -------
    bool, never at or above the needed pulse, always at half of it, by chance between
    """
    share = (needed_s - pulse_s) / ((1.0 - ALL_LOST_SHARE) * needed_s)
    if share <= 0.0:
        return False
    return uniform(seed, VALVE_STREAM, count) < share


@relation
def follow_shaft(shaft_steps: float, pintle_steps: float, backlash_steps: float) -> float:
    """Opening after the shaft has turned: thread backlash, taken up on reversal.

    Source: the play operator, Gelb and Vander Velde (1968); when closing the shaft carries the pintle, when
    opening it lags by the play.

    Parameters
    ----------
    shaft_steps, pintle_steps, backlash_steps : float
        Shaft now, opening before, and lost motion, 0 or more [steps].

    Returns
    -------
    float, opening now [steps]
    """
    pintle = pintle_steps if pintle_steps < shaft_steps else shaft_steps
    lowest = shaft_steps - backlash_steps
    return pintle if pintle > lowest else lowest
