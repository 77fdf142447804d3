"""What each plausible car does while settings are judged, and where its runs begin.

The drives of the score are fixed for this project, the same for engines that are not the model's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from controllers import curve_at
from sim import Car, Scenario, equilibrium
from tuning.ensemble.plausible import COOL_TOLERANCE_rpm
from tuning.loop import WARM_degC, base_position, needed_steps

LAMPS_W_per_l = 90.0  # Load of lamps and the like [W per litre of displacement].
EVERYTHING_W_per_l = 190.0  # Load of everything switched on [W per litre of displacement].
BASE_ERROR_steps = 3.0  # The base curve is wrong by up to this, either way [steps].
OFFSET_rpm = 40.0  # Runs begin up to this far from the target, either way [rpm].
SHIFT_s = 1.0  # What happens in a drive comes up to this much later, by seed: the longest update period [s].
COLD_degC = 20.0  # Coolant of the cold drive: where a step is worth most rpm in most cars.
REST_s, REST_FROM_s = 75.0, 25.0  # Length of a warm idle at rest, and what of it is left out at first [s].
LOADS_AT_s, LOAD_SPAN_s = (20.0, 37.0, 54.0, 71.0), 17.0
"""When lamps come and go, then everything, and how long each is looked at [s]."""
BLIP_AT_s, BLIP_OPEN_s, BLIP_CLOSING_s, BLIP_SEEN_s = 88.0, 1.2, 0.9, 14.0
"""When the throttle opens, how long it stays open and takes to close, and how long after that the speed is
looked at [s]."""
BLIP_OPENING = 3.0  # How far the throttle opens, over the leak with which it idles [-].
ANSWER_s = BLIP_AT_s + BLIP_OPEN_s + BLIP_CLOSING_s + BLIP_SEEN_s
CLOSING_PARTS = 9  # Steps in which the throttle closes in the model.
COLD_SEEDS = 2
"""Seeds of the cold drive, one with the base curve too high and one too low: it is for what is not
acceptable, not for the score."""


@dataclass(frozen=True)
class Drive:
    """One drive of every plausible car; errors of the base curve are by seed, repeated.

    At most ``seeds`` of the seeds take part; 0 all.
    """

    scenario: Scenario
    base_error_steps: tuple[float, ...] = (0.0,)
    seeds: int = 0


HIGH, LOW, ANSWER, COLD = range(4)
"""Places of the drives: at rest with the base curve too high, too low; loads and a blip; cold."""


def _scenario(name: str, coolant_degC: float, duration_s: float, **given: Any) -> Scenario:
    return Scenario.model_validate(
        {"name": name, "coolant_degC": coolant_degC, "duration_s": duration_s, **given}
    )


def _switched(table: Sequence[tuple[float, str, float]]) -> list[dict[str, object]]:
    return [{"at_s": at_s, "set": name, "to": value} for at_s, name, value in table]


def _windows(table: Sequence[tuple[str, float, float]]) -> list[dict[str, object]]:
    return [{"what": what, "from_s": from_s, "to_s": to_s} for what, from_s, to_s in table]


def closing(at_s: float, share: float) -> list[tuple[float, str, float]]:
    """Events of a throttle that opens at once and closes evenly."""
    part_s = BLIP_CLOSING_s / CLOSING_PARTS
    begins_s = at_s + BLIP_OPEN_s
    return [
        (at_s, "throttle_share", share),
        *(
            (begins_s + k * part_s, "throttle_share", share * (1.0 - (k + 0.5) / CLOSING_PARTS))
            for k in range(CLOSING_PARTS)
        ),
        (begins_s + BLIP_CLOSING_s, "throttle_share", 0.0),
    ]


def trial_drives(car: Car) -> tuple[Drive, ...]:
    """The drives on which settings are judged, by their places ``HIGH`` to ``COLD``.

    Displacement scales the loads, the leak the blip. Cold is for what is not acceptable, not for the score.
    """
    litres = car.engine.displacement_cm3 / 1000.0
    lamps, everything = LAMPS_W_per_l * litres, EVERYTHING_W_per_l * litres
    rest = _scenario("warm idle", WARM_degC, REST_s, measure=_windows([("hunting", REST_FROM_s, REST_s)]))
    share = (BLIP_OPENING - 1.0) * car.throttle.leak_mm2 / car.throttle.open_mm2
    loads_W = (lamps, 0.0, everything, 0.0)
    answer = _scenario(
        "loads and a blip", WARM_degC, ANSWER_s,
        measure=_windows([
            *(("load", at_s, at_s + LOAD_SPAN_s) for at_s in LOADS_AT_s),
            ("blip", BLIP_AT_s, ANSWER_s),
        ]),
        event=_switched([
            *((at_s, "electrical_W", W) for at_s, W in zip(LOADS_AT_s, loads_W, strict=True)),
            *closing(BLIP_AT_s, min(share, 1.0)),
        ]),
    )  # fmt: skip
    cold = _scenario(
        "cold idle", COLD_degC, 52.3,
        measure=_windows([("hunting", 10.0, 28.0), ("load", 28.0, 40.3), ("load", 40.3, 52.3)]),
        event=_switched([(28.0, "electrical_W", everything), (40.3, "electrical_W", 0.0)]),
    )  # fmt: skip
    off = BASE_ERROR_steps
    return Drive(rest, (off,)), Drive(rest, (-off,)), Drive(answer), Drive(cold, (off, -off), COLD_SEEDS)


def centring_steps(car: Car, drive: Scenario) -> float:
    """Whole steps to add to the base curve in a cold drive for it to be right on the whole.

    Settings are searched for a base curve that is wrong by ``BASE_ERROR_steps`` at most; one that is far off
    is cured in the curve. A car fitted to a warm log may be far off cold; trim deep enough for that would be
    bought with what the engine does warm. 0 warm, within ``COOL_TOLERANCE_rpm``, and where no position would
    do.
    """
    if drive.coolant_degC >= WARM_degC:
        return 0.0
    target_rpm = curve_at(car.curves.target_rpm, drive.coolant_degC)
    base = base_position(car, drive.coolant_degC)
    idles_rpm = equilibrium(car, base, drive.coolant_degC)["rpm"]
    if abs(idles_rpm - target_rpm) <= COOL_TOLERANCE_rpm:
        return 0.0
    needed = np.ceil(needed_steps(car, target_rpm, drive.coolant_degC))
    return float(needed - base) if 0 < needed < car.valve.open_limit_steps else 0.0


def shifted(drive: Scenario, shift_s: float, room_s: float) -> Scenario:
    """The same drive with all that happens, and all that is measured, a little later."""
    given = drive.model_dump()
    given["duration_s"] = drive.duration_s + room_s
    for event in given["event"]:
        event["at_s"] += shift_s
    for window in given["measure"]:
        window["from_s"] += shift_s
        window["to_s"] += shift_s
    return Scenario.model_validate(given)


def step_parts(count: int, cars: int = 1) -> np.ndarray:
    """How positions of the valve lie about what engines need, -0.5 to 0.5, shape (cars, count) [steps].

    Parts of a step shift the lattice of positions: settings that can only rest where a position happens to
    hold the target are good by luck. Source of the spread over two numbers: additive recurrence with the
    powers of the plastic number (M. Roberts 2018), from memory.
    """
    mixed = 0.7548776662466927 * np.arange(count) + 0.5698402909980532 * np.arange(cars)[:, None]
    return np.asarray(np.modf(0.5 + mixed)[0] - 0.5)


def starting_phases(count: int, cars: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Where runs begin: a run that begins on its target hides hunting, so phases are spread.

    Parameters
    ----------
    count, cars : int
        How many for each car, and how many cars, 1 or more.

    Returns
    -------
    base_error_steps, rpm_offset : numpy.ndarray
        Shape (cars, count), from +3 to -3, denser toward both ends, parts of a step as ``step_parts``; shape
        (count,), off the target, spread evenly in another order [steps, rpm].
    """
    place = np.arange(count) / max(1, count - 1)
    wrong = (BASE_ERROR_steps - 0.5) * np.cos(np.pi * place)
    golden = np.modf((np.arange(count) + 0.5) * 0.6180339887498949)[0]
    return wrong + step_parts(count, cars), OFFSET_rpm * (2.0 * golden - 1.0)
