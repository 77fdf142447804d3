"""Whether the valve goes to and fro, at any period, and what speed makes of it; compiled."""

from __future__ import annotations

import numpy as np

from controllers.compiling import compiled
from tuning.measures.band import Floats, Samples
from tuning.measures.hunting_rule import FEWEST_HALF_SWINGS
from tuning.measures.row import PLACE
from tuning.measures.scan import whole_samples

ANSWER_s = 0.7
"""Speed answers the valve so long after: about one filling of the manifold and one turn [s]."""
REACHED = 0.25
"""A side is reached beyond this share of the valve's range from its middle [-]."""


@compiled
def to_and_fro(rpm: Samples, steps: Samples, dt_s: float, out: Floats) -> None:
    """Count the valve's half swings and measure what speed does between its sides.

    ``half_swings``: how often the commanded position goes over from the lower quarter of its range in the
    window to the upper one, or back; ``valve_swing_rpm``: mean speed while it is above the middle of its
    range less mean speed while below, both taken ``ANSWER_s`` later. A valve that only follows a swing from
    outside opens while speed is low and leaves it near 0 or below. Of several windows the one with
    ``FEWEST_HALF_SWINGS`` and the largest swing. Source: our definition.
    """
    n = min(rpm.size, steps.size)
    if n < 2:
        return
    low, high = steps[0], steps[0]
    for k in range(n):
        low = min(low, steps[k])
        high = max(high, steps[k])
    middle, reach = 0.5 * (np.float64(low) + high), REACHED * (np.float64(high) - low)
    later = whole_samples(ANSWER_s, dt_s)
    side, turns, upper, lower, uppers, lowers = 0, 0, 0.0, 0.0, 0, 0
    for k in range(n - later):
        here = np.float64(steps[k]) - middle
        now = (1 if here >= reach else (-1 if here <= -reach else side)) if reach > 0.0 else 0
        if now != side and side != 0:
            turns += 1
        side = now
        if here > 0.0:
            upper += rpm[k + later]
            uppers += 1
        elif here < 0.0:
            lower += rpm[k + later]
            lowers += 1
    swing = upper / uppers - lower / lowers if uppers > 0 and lowers > 0 else 0.0
    kept, kept_swing = out[PLACE.half_swings], out[PLACE.valve_swing_rpm]
    enough = turns >= FEWEST_HALF_SWINGS
    if kept >= FEWEST_HALF_SWINGS and (not enough or swing <= kept_swing):
        return
    if kept == kept and not enough and swing <= kept_swing:
        return
    out[PLACE.half_swings], out[PLACE.valve_swing_rpm] = turns, swing
