"""Where a car's numbers come from, in words: on every output that somebody may act on."""

from __future__ import annotations

import sim

BASIS = {
    "guessed": "GUESSED: the numbers of this car are estimated from a few facts; fit it to a log.",
    "fitted": "Fitted: the numbers of this car were fitted to logs.",
    "given": "Given: the numbers of this car stand in its file and were not fitted here.",
}


def basis_words(car: sim.Car) -> str:
    """Say whether the car's numbers were given, guessed or fitted."""
    told = BASIS[car.car.basis]
    return told if car.valve.travel_counted else f"{told} The valve's travel is NOT COUNTED."
