"""What each plausible car does while settings are searched, and where its runs begin."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from sim import Car, Scenario, equilibrium
from tuning.ensemble.known_idle import WARM_degC, base_steps
from tuning.ensemble.plausible import COOL_TOLERANCE_rpm

LAMPS_W_per_l = 90.0
"""Load of lamps and the like [W per litre of displacement]."""
EVERYTHING_W_per_l = 190.0
"""Load of everything switched on [W per litre of displacement]."""
BASE_ERROR_steps = 3.0
"""The base curve is wrong by up to this, either way [steps]."""
OFFSET_rpm = 40.0
"""Runs begin up to this far from the target, either way [rpm]."""
SHIFT_s = 1.0
"""What happens in a drive comes up to this much later, by seed: the longest update period [s]."""
COLD_degC = 20.0
"""Coolant of the cold drive: where a step is worth most rpm in most cars."""
BLIP_SHARE = 0.12


def _drive(name: str, coolant_degC: float, duration_s: float, **given: Any) -> Scenario:
    return Scenario.model_validate(
        {"name": name, "coolant_degC": coolant_degC, "duration_s": duration_s, **given}
    )


def _switched(table: Sequence[tuple[float, str, float]]) -> list[dict[str, object]]:
    return [{"at_s": at_s, "set": name, "to": value} for at_s, name, value in table]


def _windows(table: Sequence[tuple[str, float, float]]) -> list[dict[str, object]]:
    return [{"what": what, "from_s": from_s, "to_s": to_s} for what, from_s, to_s in table]


def search_drives(car: Car) -> tuple[Scenario, ...]:
    """The two drives on which settings are judged while searching.

    Parameters
    ----------
    car : Car
        Its displacement scales the loads.

    Returns
    -------
    tuple of Scenario
        Warm: idle for 30 s (hunting from 8 s), lamp-sized load on and off, everything on and
        off, a blip.  Cold (20 degC): idle, everything on and off.
    """
    litres = car.engine.displacement_cm3 / 1000.0
    lamps, everything = LAMPS_W_per_l * litres, EVERYTHING_W_per_l * litres
    warm = _drive(
        "warm search drive", 90.0, 92.2,
        measure=_windows([
            ("hunting", 8.0, 30.0), ("load", 30.0, 42.3), ("load", 42.3, 54.1),
            ("load", 54.1, 68.6), ("load", 68.6, 80.2), ("blip", 80.2, 92.2),
        ]),
        event=_switched([
            (30.0, "electrical_W", lamps), (42.3, "electrical_W", 0.0),
            (54.1, "electrical_W", everything), (68.6, "electrical_W", 0.0),
            (80.2, "throttle_share", BLIP_SHARE), (81.0, "throttle_share", 0.0),
        ]),
    )  # fmt: skip
    cold = _drive(
        "cold search drive", COLD_degC, 52.3,
        measure=_windows([("hunting", 10.0, 28.0), ("load", 28.0, 40.3), ("load", 40.3, 52.3)]),
        event=_switched([(28.0, "electrical_W", everything), (40.3, "electrical_W", 0.0)]),
    )  # fmt: skip
    return warm, cold


def centring_steps(car: Car, drive: Scenario) -> float:
    """What has to be added to the base curve in a cold drive for it to be right on the whole.

    Settings are searched for a base curve that is wrong by ``BASE_ERROR_steps`` at most; one that
    is far off is cured in the curve.  A warm log does not tell how an engine idles cold, so the car
    fitted to one may be far off on its base curve there; trim deep enough for that would be bought
    with what the engine does warm.

    Gives whole steps; 0 warm, where the car idles within ``COOL_TOLERANCE_rpm`` of its target, and
    where no position would do.
    """
    if drive.coolant_degC >= WARM_degC:
        return 0.0
    points = np.asarray(car.curves.target_rpm, dtype=float)
    target_rpm = float(np.interp(drive.coolant_degC, points[:, 0], points[:, 1]))
    base = base_steps(car, drive.coolant_degC)
    idles_rpm = equilibrium(car, base, drive.coolant_degC)["rpm"]
    if abs(idles_rpm - target_rpm) <= COOL_TOLERANCE_rpm:
        return 0.0
    low, high = 0, car.valve.open_limit_steps
    while low < high:
        middle = (low + high) // 2
        if equilibrium(car, middle, drive.coolant_degC)["rpm"] < target_rpm:
            low = middle + 1
        else:
            high = middle
    return low - base if 0 < low < car.valve.open_limit_steps else 0.0


def shifted(drive: Scenario, shift_s: float, room_s: float) -> Scenario:
    """The same drive with all that happens, and all that is measured, a little later.

    Gives the shifted drive.
    """
    given = drive.model_dump()
    given["duration_s"] = drive.duration_s + room_s
    for event in given["event"]:
        event["at_s"] += shift_s
    for window in given["measure"]:
        window["from_s"] += shift_s
        window["to_s"] += shift_s
    return Scenario.model_validate(given)


def starting_phases(count: int, cars: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Where runs begin: errors of the base curve, and speeds off the target.

    Parameters
    ----------
    count : int
        How many for each car, 1 or more.
    cars : int
        How many cars, 1 or more.

    Returns
    -------
    base_error_steps : numpy.ndarray
        Shape (cars, count): from +3 to -3, denser toward both ends; parts of a step are spread
        evenly over all runs [steps].
    rpm_offset : numpy.ndarray
        Shape (count,), spread evenly in another order [rpm].

    Notes
    -----
    A run that begins on its target hides hunting, so phases are spread.  Parts of a step shift
    the lattice of positions that the valve can take about what the engine needs: settings that
    can only rest where a position happens to hold the target are good by luck.
    Source of the spread over two numbers: additive recurrence with the powers of the plastic
    number (M. Roberts 2018), from memory.
    """
    place = np.arange(count) / max(1, count - 1)
    wrong = (BASE_ERROR_steps - 0.5) * np.cos(np.pi * place)
    mixed = 0.7548776662466927 * np.arange(count) + 0.5698402909980532 * np.arange(cars)[:, None]
    part = np.modf(0.5 + mixed)[0] - 0.5
    golden = np.modf((np.arange(count) + 0.5) * 0.6180339887498949)[0]
    return wrong + part, OFFSET_rpm * (2.0 * golden - 1.0)
