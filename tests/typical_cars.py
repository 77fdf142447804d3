"""The demonstration cars, and six that `evenidle new` makes of typical facts."""

from __future__ import annotations

from functools import cache

from sim import Car, load_car
from sim.estimates import DEFAULT_BASE, Known, estimate_car

FINE = ((0.0, 120.0), (30.0, 80.0), (50.0, 60.0), (65.0, 48.0), (80.0, 40.0))
LONG = ((-10.0, 130.0), (20.0, 95.0), (50.0, 65.0), (80.0, 45.0))
COARSE = ((0.0, 70.0), (30.0, 52.0), (50.0, 40.0), (65.0, 33.0), (80.0, 28.0))
HEAD = ((0.0, 70.0), (40.0, 45.0), (80.0, 30.0), (120.0, 22.0))
FLAT = ((0.0, 110.0), (30.0, 80.0), (60.0, 55.0), (90.0, 42.0), (120.0, 38.0))
NUDGED = {"gain_steps_per_100rpm": 4.0, "integral_steps_per_100rpm_s": 3.0, "deadband_rpm": 20.0,
          "min_move_steps": 4, "update_period_ms": 100.0}  # fmt: skip
ALL_LOADS = {"lamps_W": 150.0, "fan_W": 180.0, "screen_W": 150.0, "steering_Nm": 12.0, "gearbox_Nm": 22.0}
TYPICAL = {
    "fine 1.3": (1300.0, 4, 850.0, FINE, "water", Known(travel_steps=200, feedback=NUDGED)),
    "four 1.6": (1600.0, 4, 900.0, DEFAULT_BASE, "water", Known(travel_steps=220, map_kPa=33.0)),
    "two litres": (2000.0, 4, 850.0, LONG, "water", Known(travel_steps=200)),
    "six 2.8": (2800.0, 6, 750.0, COARSE, "water", Known(travel_steps=120, map_kPa=34.0, loads=ALL_LOADS)),
    "air twin": (600.0, 2, 1000.0, HEAD, "air", Known(travel_steps=180, loads={"lamps_W": 100.0})),
    "flat four": (1600.0, 4, 900.0, FLAT, "air", Known(travel_steps=200, rpm_on_10_steps=60.0)),
}
CARS = ("trials", "twin", "six", *TYPICAL)


@cache
def car_of(name: str) -> Car:
    """A demonstration car, or one that `evenidle new` makes of typical facts."""
    if name not in TYPICAL:
        return load_car(name)
    size_cm3, cylinders, target_rpm, base, cooling, known = TYPICAL[name]
    made, _ = estimate_car(
        size_cm3, cylinders, target_rpm, base=base, cooling=cooling, name=name, known=known
    )
    return made
