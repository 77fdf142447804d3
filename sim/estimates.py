"""A first car file from a few facts: what cannot be known without the car is estimated.

The sizes are rules of thumb (common practice, no source). The valve's area and the leak past the
throttle are then found with the model itself, so that the base curve given holds the target: that
is what the owner has already found out by hand.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from pydantic import ValidationError

from sim.car import Car, car_to_toml, with_values
from sim.errors import InputError
from sim.files import one_problem
from sim.key_lines import nearest_line
from sim.problems import plain_problems

Curve = tuple[tuple[float, float], ...]

RULE_OF_THUMB = "estimated from displacement: common practice, no source"
FROM_BASE = "estimated so that the base curve holds the target in the model"
TYPICAL = "typical value: common practice, no source"
RUBS = "only what rubs, with pumping apart: our judgement, no source"
STARTING_POINT = "starting point, to be searched"

DEFAULT_BASE: Curve = ((0.0, 50.0), (30.0, 30.0), (50.0, 20.0), (65.0, 14.0), (80.0, 12.0))
"""[degC, steps] a base curve as it is often found."""
WARM_degC = 90.0
RPM_PER_STEP = 18.0
"""[rpm per step] worth of a step at the warm base position that the estimate aims at."""


def base_from_text(text: str) -> Curve:
    """Read a base curve written as ``degC:steps,degC:steps``.

    Gives temperatures [degC] and steps [steps] in the order given.
    """
    pairs: list[tuple[float, float]] = []
    for number, piece in enumerate(text.split(","), start=1):
        found = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*", piece)
        if found is None:
            message = f'not a pair ("{piece.strip()}"), allowed: degC:steps, such as 30:25'
            raise one_problem("--base", 1, f"pair {number}", message)
        pairs.append((float(found.group(1)), float(found.group(2))))
    return tuple(pairs)


def estimate_car(
    displacement_cm3: float,
    cylinders: int,
    target_rpm: float = 900.0,
    pulse_ms: float = 4.0,
    rest_ms: float = 1.0,
    base: Sequence[tuple[float, float]] = DEFAULT_BASE,
    *,
    name: str = "my car",
    cooling: str = "water",
) -> tuple[Car, dict[str, str]]:
    """Estimate a car from a few facts."""
    values = _from_size(displacement_cm3, cylinders)
    values["car"] = {"name": name, "note": "Estimated from a few facts; fit it to a log."}
    values["thermal"] = {"cooling": cooling}
    values["valve"] = _typical_valve(base) | {"pulse_ms": pulse_ms, "rest_ms": rest_ms}
    values["valve"]["area_mm2"] = [[0.0, 0.0], [values["valve"]["travel_steps"], 1.0]]
    values["curves"] = _curves(target_rpm, base, values["valve"]["open_limit_steps"])
    values["feedback"] = _cautious_feedback(base)
    rough = _checked(values, name)
    leak_mm2, area_mm2 = _air_for_base(rough)
    car = with_values(rough, {"valve": {"area_mm2": area_mm2}, "throttle": {"leak_mm2": leak_mm2}})
    return car, _notes(car)


def new_car_toml(
    displacement_cm3: float,
    cylinders: int,
    target_rpm: float = 900.0,
    pulse_ms: float = 4.0,
    rest_ms: float = 1.0,
    base: Sequence[tuple[float, float]] = DEFAULT_BASE,
    *,
    name: str = "my car",
    cooling: str = "water",
) -> str:
    """Write a commented car file from a few facts.

    Gives TOML; the comment of each estimated key says so.
    """
    car, notes = estimate_car(
        displacement_cm3,
        cylinders,
        target_rpm,
        pulse_ms,
        rest_ms,
        base,
        name=name,
        cooling=cooling,
    )
    return car_to_toml(car, notes)


def _checked(values: dict[str, Any], name: str) -> Car:
    """Make a car of estimated values, with the facts at fault named."""
    try:
        return Car.model_validate(values)
    except ValidationError as error:
        raise InputError(plain_problems(error, Car, name, partial(nearest_line, {}))) from None


def _from_size(displacement_cm3: float, cylinders: int) -> dict[str, Any]:
    """Engine, manifold, throttle and electrics by rules of thumb over displacement."""
    litres = displacement_cm3 / 1000.0
    return {
        "engine": {
            "displacement_cm3": displacement_cm3,
            "cylinders": cylinders,
            "inertia_kg_m2": round(max(0.012, 0.1 * litres), 4),
            "work_per_air_kJ_per_kg": 1000.0,
            # Pumping apart, as it falls while the manifold fills: else a fit takes that for a
            # flywheel three tenths too light (mean of eight engines of another structure).
            "friction_scale": 0.65,
            "pumping_in_friction": False,
            "volumetric_efficiency": 0.56,
            "scatter_share": 0.08,
        },
        "spark": {"base_deg": 12.0, "best_deg": 28.0},
        "manifold": {"volume_cm3": round(max(100.0, 1.7 * displacement_cm3))},
        "throttle": {
            "leak_mm2": 0.0,
            "open_mm2": round(min(9000.0, max(20.0, 0.45 * displacement_cm3))),
        },
        "electrics": {
            "base_W": round(min(90.0 + 25.0 * litres, 10.0 + 150.0 * litres)),
            "alternator_max_W": round(min(500.0 + 250.0 * litres, 60.0 + 800.0 * litres)),
            "cut_in_rpm": 380.0,
            "full_rpm": 1400.0,
        },
        "loads": {"lamps_W": round(min(120.0, 20.0 + 150.0 * litres))},
    }


def _typical_valve(base: Sequence[tuple[float, float]]) -> dict[str, Any]:
    """A valve large enough for the base curve; its area is still to be found."""
    most = max((steps for _, steps in base), default=50.0)
    useful = int(min(340, max(60, 1.2 * most)))
    travel = useful + 15
    return {
        "travel_steps": travel,
        "useful_travel_steps": useful,
        "open_limit_steps": useful + 10,
        "homing_steps": 2 * travel,
    }


def _curves(
    target_rpm: float, base: Sequence[tuple[float, float]], most_steps: int
) -> dict[str, Any]:
    """Target, cranking and after-start curves around the base curve given."""
    temperatures = (-20.0, 0.0, 30.0, 50.0, 70.0)
    shares = (1.19, 1.19, 1.09, 1.03, 1.0)
    target = [
        [degC, float(round(target_rpm * share))]
        for degC, share in zip(temperatures, shares, strict=True)
    ]
    return {
        "target_rpm": target,
        "base_steps": [list(pair) for pair in base],
        "cranking_steps": [[degC, min(float(most_steps), steps + 22.0)] for degC, steps in base],
        "after_start_steps": [[-20.0, 14.0], [20.0, 10.0], [80.0, 6.0]],
        "after_start_fade_s": 20.0,
    }


def _cautious_feedback(base: Sequence[tuple[float, float]]) -> dict[str, Any]:
    """Mild settings that keep the valve near the base curve until a search is done."""
    warm = base[-1][1] if base else 10.0
    return {
        "law": "pi",
        "gain_steps_per_100rpm": 2.0,
        "integral_steps_per_100rpm_s": 1.0,
        "deadband_rpm": 30.0,
        "min_move_steps": 1,
        "update_period_ms": 200.0,
        "trim_limit_steps": [-float(min(15.0, warm)), 15.0],
        "enable_above_target_rpm": 400.0,
    }


@dataclass(frozen=True)
class _Opening:
    """Area over position: bent mildly up to the warm base, more so above it for the cold."""

    warm_steps: float
    slope: float
    curvature: float

    def area_mm2(self, steps: float) -> float:
        """Area at a position within useful travel."""
        below = min(steps, self.warm_steps)
        above = max(0.0, steps - self.warm_steps)
        bend = 0.3 * below**2 / self.warm_steps if self.warm_steps > 0.0 else 0.0
        return self.slope * (0.4 * below + bend + above) + self.curvature * above**2


def _air_for_base(car: Car) -> tuple[float, list[list[float]]]:
    """Leak and valve area with which the base curve holds the target, warm and cold.

    The slope at the warm base makes a step worth `RPM_PER_STEP`; the coldest base point from
    0 degC on gives the curvature above it; what the valve does not pass when warm leaks.
    """
    curves = car.curves
    warm_steps, warm_rpm = (
        _read(curve, WARM_degC) for curve in (curves.base_steps, curves.target_rpm)
    )
    warm_mm2 = _area_for(car, warm_rpm, WARM_degC)
    slope = max(_area_for(car, warm_rpm + RPM_PER_STEP, WARM_degC) - warm_mm2, 0.002 * warm_mm2)
    # Some air always leaks, so the valve cannot pass all of it.
    share_of_valve = _Opening(warm_steps, slope, 0.0).area_mm2(warm_steps) / warm_mm2
    slope *= min(1.0, 0.8 / share_of_valve) if share_of_valve > 0.0 else 1.0
    cold_degC = max(0.0, curves.base_steps[0][0])
    span = _read(curves.base_steps, cold_degC) - warm_steps
    curvature = 0.0
    if span > 5.0:
        cold_mm2 = _area_for(car, _read(curves.target_rpm, cold_degC), cold_degC)
        curvature = max(0.0, (cold_mm2 - warm_mm2 - slope * span) / span**2)
    opening = _Opening(warm_steps, slope, curvature)
    leak_mm2 = warm_mm2 - opening.area_mm2(warm_steps)
    return round(min(leak_mm2, 200.0), 3), _area_table(car, opening)


def _area_table(car: Car, opening: _Opening) -> list[list[float]]:
    """Points of the opening up to the end of useful travel, nearly flat from there on."""
    useful, travel = car.valve.useful_travel_steps, car.valve.travel_steps
    knee = float(round(0.92 * useful))
    even = {float(round(share * useful)) for share in (0.1, 0.2, 0.35, 0.5, 0.65, 0.8)}
    steps = sorted({0.0, *even, knee})
    areas = [opening.area_mm2(position) for position in steps]
    rise = (areas[-1] - areas[-2]) / (steps[-1] - steps[-2]) * (useful - knee)
    steps += [float(useful), float(travel)]
    areas += [areas[-1] + 0.6 * rise, areas[-1] + 0.7 * rise]
    return [[position, round(area, 4)] for position, area in zip(steps, areas, strict=True)]


def _read(curve: Curve, coolant_degC: float) -> float:
    """Read a curve as the controller does."""
    import numpy as np

    from controllers import curve_value

    points = np.asarray(curve)
    return float(curve_value(points[:, 0].copy(), points[:, 1].copy(), coolant_degC))


def _area_for(car: Car, rpm: float, coolant_degC: float) -> float:
    """Effective area of all openings [mm2] at which the model settles at a speed."""
    from scipy.optimize import brentq

    from sim.prepare import equilibrium

    def above(leak_mm2: float) -> float:
        opened = with_values(car, {"throttle": {"leak_mm2": leak_mm2}})
        return equilibrium(opened, 0.0, coolant_degC)["rpm"] - rpm

    largest = min(200.0, car.throttle.open_mm2 - 1.0)
    if above(largest) < 0.0:
        return largest
    return float(brentq(above, 0.0, largest, xtol=1e-3))


def _notes(car: Car) -> dict[str, str]:
    """Say of each estimated key where its number comes from."""
    keys = {
        RULE_OF_THUMB: (
            "engine.inertia_kg_m2",
            "manifold.volume_cm3",
            "throttle.open_mm2",
            "electrics.base_W",
            "electrics.alternator_max_W",
            "thermal.heat_capacity_kJ_per_K",
            "thermal.oil_capacity_kJ_per_K",
            "thermal.loss_W_per_K",
            "starter.stall_torque_Nm",
            "starter.sag_V_per_Nm",
        ),
        RUBS: ("engine.friction_scale", "engine.pumping_in_friction"),
        FROM_BASE: ("throttle.leak_mm2", "valve.area_mm2"),
        TYPICAL: (
            "engine.compression_ratio",
            "engine.work_per_air_kJ_per_kg",
            "engine.torque_delay_deg",
            "engine.volumetric_efficiency",
            "engine.scatter_share",
            "spark.base_deg",
            "spark.best_deg",
            "manifold.air_degC",
            "valve.travel_steps",
            "valve.useful_travel_steps",
            "valve.open_limit_steps",
            "valve.homing_steps",
            "electrics.cut_in_rpm",
            "electrics.full_rpm",
            "loads.lamps_W",
            "thermal.heat_share_to_coolant",
            "thermal.thermostat_degC",
            "starter.free_rpm",
            "curves.target_rpm",
            "curves.cranking_steps",
            "curves.after_start_steps",
        ),
        STARTING_POINT: tuple(f"feedback.{key}" for key in type(car.feedback).model_fields),
    }
    return {key: note for note, names in keys.items() for key in names}
