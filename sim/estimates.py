"""A first car file from a few facts: what cannot be known without the car is estimated.

The sizes are rules of thumb (common practice, no source). The valve's area and the leak past the throttle are
then found with the model itself, so that the base curve given, which the owner has found out by hand, holds
the target at each of its points.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from controllers import Feedback, curve_at
from sim.car import Car, with_values
from sim.errors import InputError, Problem
from sim.facts import Curve
from sim.problems import checked
from sim.toml_text import FROM_BASE, NOT_COUNTED, RUBS, RULE_OF_THUMB, STARTING_POINT, TYPICAL

DEFAULT_BASE: Curve = ((0.0, 120.0), (30.0, 75.0), (50.0, 50.0), (65.0, 38.0), (80.0, 30.0))
"""[degC, steps] a base curve as it is often found with a fine valve."""
WARM_degC = 90.0
FINE_TRAVEL_steps = 200
"""A usual four-wire valve has 180 to 250 steps of about 0.04 mm, a coarse one 100 to 125."""
OVER_COLD_BASE, LEAST_TRAVEL_steps = 1.7, 70.0
"""Travel over the highest step of a base curve, as of `DEFAULT_BASE` on a fine valve; common practice, no
source [-, steps]. It tells what a step is worth, not how far to home: that is by the longer guess."""
RPM_OVER_TRAVEL = 1500.0
"""[rpm] what the whole travel would be worth at its warm worth of a step: 5 to 10 rpm a step with a fine
valve on 1 to 2 l; common practice, no source."""
TARGET_ABOVE_rpm = ((-20.0, 420.0), (0.0, 300.0), (30.0, 140.0), (50.0, 60.0), (70.0, 0.0))
"""[degC, rpm] a cold engine idles so much faster; common practice, no source."""
OIL_BEHIND_K = ((-20.0, 3.0), (20.0, 6.0), (50.0, 10.0), (90.0, 0.0))
"""[degC, K] how far oil is behind coolant in a warm-up at idle, by the model's own runs of water-cooled cars;
behind the head of an air-cooled one it is up to 10 K farther."""
LAGGING_degC = 45.0  # Warmer than this an engine is taken as settled, its oil as warm as its coolant [degC].
MOST_TRIM_rpm = 300.0
"""Trim may not open by more than so much speed is worth, lest it races; common practice, no source."""
PULL_IN_ms = 2.1
"""Valves are made to move at 8 V with a hot coil: by that 4 ms suffice and 2 ms do not; common practice, no
source [ms]."""
HOMING_SHARE = 1.5  # Homing drives so many times the travel [-].


@dataclass(frozen=True)
class Known:
    """What an owner may know beyond the few facts; None where it is not known."""

    travel_steps: int | None = None
    rpm_on_10_steps: float | None = None  # worth of ten steps more when warm
    map_kPa: float | None = None  # warm manifold pressure
    loads: Mapping[str, float] | None = None  # these as in the tables of the car file
    feedback: Mapping[str, Any] | None = None  # settings in use
    entry_form: Mapping[str, Any] | None = None  # how the controller takes them


NOTHING_MORE = Known()
NOTE = "Estimated from a few facts; fit it to a log."


def estimate_car(
    displacement_cm3: float, cylinders: int, target_rpm: float = 900.0, pulse_ms: float = 4.0,
    rest_ms: float = 1.0, base: Sequence[tuple[float, float]] = DEFAULT_BASE, *, name: str = "my car",
    cooling: str = "water", known: Known = NOTHING_MORE,
) -> tuple[Car, dict[str, str]]:  # fmt: skip
    """Estimate a car from a few facts.

    Parameters
    ----------
    displacement_cm3, cylinders, target_rpm, pulse_ms, rest_ms : float
        Swept volume, their number, warm target, coil on and off for a step; as in the car file [cm3, -, rpm,
        ms].
    base, name, cooling, known : sequence of tuple of float, str, str, Known
        Base curve it idles on now [degC, steps]; what the car is called; "water" or "air"; what is known
        beyond them.

    Returns
    -------
    car, why : Car, dict
        The car, marked as guessed; by key of its file why it is what it is.

    Raises
    ------
    InputError
        If a fact is no number or beyond its range.
    """
    sizes = {"displacement_cm3": displacement_cm3, "target_rpm": target_rpm}
    _refuse_no_numbers(**sizes, pulse_ms=pulse_ms, rest_ms=rest_ms)
    values = _from_size(displacement_cm3, cylinders, cooling, target_rpm)
    values["car"] = {"name": name, "note": NOTE, "basis": "guessed"}
    values["thermal"] = {"cooling": cooling}
    values["valve"] = _valve(base, known.travel_steps) | {"pulse_ms": pulse_ms, "rest_ms": rest_ms}
    travel = float(values["valve"]["travel_steps"])
    values["valve"]["area_mm2"] = [[0.0, 0.0], [travel, 1.0]]
    values["curves"] = _curves(target_rpm, base, values["valve"])
    worth_rpm = (known.rpm_on_10_steps or 10.0 * RPM_OVER_TRAVEL / _likely_travel(base, known)) / 10.0
    given = dict(known.feedback or {})
    values["feedback"] = _cautious_feedback(base, travel, [worth_rpm]) | given  # until the curve is known
    tables = {"loads": known.loads, "entry_form": known.entry_form}
    values |= {table: dict(facts) for table, facts in tables.items() if facts is not None}
    rough = checked(Car, values, name)
    if known.map_kPa is not None:
        rough = _with_pressure(rough, known.map_kPa)
    leak_mm2, area_mm2 = _air_for_base(rough, worth_rpm, measured=known.rpm_on_10_steps is not None)
    car = with_values(rough, {"valve": {"area_mm2": area_mm2}, "throttle": {"leak_mm2": leak_mm2}})
    mild = _cautious_feedback(base, travel, _gained_rpm(car) or [worth_rpm])
    return with_values(car, {"feedback": mild | given}), _notes(known)


def _refuse_no_numbers(**facts: float) -> None:
    """Refuse facts that are no finite numbers, before anything is computed from them."""
    wrong = [(name, value) for name, value in facts.items() if not math.isfinite(value)]
    if wrong:
        raise InputError(
            Problem("--" + name.replace("_", "-"), 1, name, f"not a number ({value}), allowed: one")
            for name, value in wrong
        )


def _from_size(displacement_cm3: float, cylinders: int, cooling: str, target_rpm: float) -> dict[str, Any]:
    """Engine, manifold, throttle and electrics by rules of thumb over displacement."""
    litres = displacement_cm3 / 1000.0
    return {
        "engine": {
            "displacement_cm3": displacement_cm3,
            "cylinders": cylinders,
            "inertia_kg_m2": round(max(0.012, 0.1 * litres), 4),
            "work_per_air_kJ_per_kg": 1130.0,
            # Pumping apart, as it falls while the manifold fills: else a fit takes that for a
            # flywheel three tenths too light (mean of eight engines of another structure).
            "friction_scale": 0.65,
            "pumping_in_friction": False,
            "volumetric_efficiency": 0.56,
            "scatter_share": 0.08,
        },
        # So far off that a degree is worth 10 to 20 rpm: common practice, no source.
        "spark": {"base_deg": 12.0, "best_deg": 39.0},
        "manifold": {"volume_cm3": round(max(100.0, 1.7 * displacement_cm3))},
        "throttle": {"leak_mm2": 0.0, "open_mm2": round(min(9000.0, max(20.0, 0.8 * displacement_cm3)))},
        "electrics": {
            "base_W": round(min(170.0 + 20.0 * litres, 10.0 + 350.0 * litres, 220.0)),
            "alternator_max_W": round(min(500.0 + 250.0 * litres, 60.0 + 1200.0 * litres)),
            "cut_in_rpm": max(round(min(550.0, max(0.65 * target_rpm, min(500.0, 0.8 * target_rpm)))), 0),
            "full_rpm": 2700.0,
        },
        "loads": {
            "lamps_W": round(min(150.0, 10.0 + 150.0 * litres)),
            "fan_W": 0.0 if cooling == "air" else round(min(180.0, 60.0 + 110.0 * litres)),
        },
    }


def _likely_travel(base: Sequence[tuple[float, float]], known: Known) -> float:
    """Travel as counted, or as the base curve tells: one that opens little has a coarse valve [steps]."""
    if known.travel_steps is not None:
        return float(known.travel_steps)
    most = max((steps for _, steps in base), default=float(FINE_TRAVEL_steps))
    return min(float(FINE_TRAVEL_steps), max(OVER_COLD_BASE * most, LEAST_TRAVEL_steps))


def _valve(base: Sequence[tuple[float, float]], travel_steps: int | None) -> dict[str, Any]:
    """The valve's travel as counted, or a usual one; its area is still to be found."""
    most = max((steps for _, steps in base), default=50.0)
    travel = travel_steps if travel_steps is not None else max(FINE_TRAVEL_steps, 1.2 * most)
    travel = int(min(travel, 380))
    useful = int(min(travel, max(round(0.85 * travel), math.ceil(most), 2)))
    return {
        "travel_steps": travel, "travel_counted": travel_steps is not None, "useful_travel_steps": useful,
        "open_limit_steps": min(travel, useful + max(round(0.05 * travel), 1)),
        "homing_steps": math.ceil(HOMING_SHARE * travel), "pull_in_ms": PULL_IN_ms,
    }  # fmt: skip


def _curves(
    target_rpm: float, base: Sequence[tuple[float, float]], valve: Mapping[str, Any]
) -> dict[str, Any]:
    """Target, cranking and after-start curves around the base curve given."""
    limit, extra = float(valve["open_limit_steps"]), max(20.0, 0.1 * valve["travel_steps"])
    return {
        "target_rpm": [[at, float(round(target_rpm + above))] for at, above in TARGET_ABOVE_rpm],
        "base_steps": [list(pair) for pair in base],
        "cranking_steps": [[at, min(limit, float(round(steps + extra)))] for at, steps in base],
        "after_start_steps": [[-20.0, 14.0], [20.0, 8.0], [80.0, 4.0]],
        "after_start_fade_s": 20.0,
    }


def _cautious_feedback(
    base: Sequence[tuple[float, float]], travel_steps: float, gained_rpm: Sequence[float]
) -> dict[str, Any]:
    """Mild settings that keep the valve near the base curve until a search is done.

    ``gained_rpm`` is what one, two, three ... steps more than the warm base bring [rpm].
    """
    warm, worth_rpm = base[-1][1] if base else 10.0, gained_rpm[0]
    within = sum(gained <= MOST_TRIM_rpm for gained in gained_rpm)
    opens = float(max(min(round(0.2 * travel_steps), within), 3))
    closes = float(max(round(min(0.2 * travel_steps, MOST_TRIM_rpm / worth_rpm)), 3))
    return {
        "law": "pi",
        "gain_steps_per_100rpm": round(min(36.0 / worth_rpm, 20.0), 1),
        "integral_steps_per_100rpm_s": round(min(18.0 / worth_rpm, 20.0), 1),
        "deadband_rpm": 30.0,
        "min_move_steps": 1,
        "update_period_ms": 200.0,
        "trim_limit_steps": [-float(min(closes, warm)), opens],
        "enable_above_target_rpm": 400.0,
        "enable_delay_s": 20.0,  # until after-start air has faded
    }


def _gained_rpm(car: Car) -> list[float]:
    """What one, two ... steps more than the warm base bring; none where that is not known [rpm]."""
    from sim.linearise import settled_rpm

    warm_steps = curve_at(car.curves.base_steps, WARM_degC)
    more = range(round(0.2 * car.valve.travel_steps) + 2)
    settled, *opened = settled_rpm(car, [warm_steps + one for one in more], WARM_degC)
    return [float(one - settled) for one in opened] if 0.0 < settled < opened[0] else []


def _air_for_base(car: Car, worth_rpm: float, measured: bool) -> tuple[float, list[list[float]]]:
    """Leak and valve area with which the base curve holds the target at each of its points.

    The slope at the warm base makes a step worth what is wanted; what the valve does not pass when warm
    leaks; colder points follow from what the engine needs there, its oil behind.
    """
    curves = car.curves
    warm_steps, warm_rpm = (curve_at(one, WARM_degC) for one in (curves.base_steps, curves.target_rpm))
    warm_mm2 = _area_for(car, warm_rpm, WARM_degC)
    slope = max(_area_for(car, warm_rpm + worth_rpm, WARM_degC) - warm_mm2, 0.002 * warm_mm2)
    # Some air always leaks, so the valve cannot pass all of it.
    share_of_valve = _below_warm(warm_steps, slope, warm_steps) / warm_mm2
    slope *= min(1.0, 0.8 / share_of_valve) if share_of_valve > 0.0 else 1.0
    warm_valve_mm2 = _below_warm(warm_steps, slope, warm_steps)
    leak_mm2 = warm_mm2 - warm_valve_mm2
    points = {share * warm_steps: _below_warm(share * warm_steps, slope, warm_steps)
              for share in (0.0, 0.25, 0.5, 0.75, 1.0)}  # fmt: skip
    colder = sorted(steps for _, steps in curves.base_steps if steps > warm_steps + 6.0)
    if colder and (measured or warm_steps < 6.0):  # whatever the cold wants
        near = warm_steps + 0.25 * (colder[0] - warm_steps)
        for step in {near, warm_steps + 1.0}:
            points[step] = warm_valve_mm2 + slope * (step - warm_steps)
    for at_degC, steps in sorted(curves.base_steps, reverse=True):
        if at_degC < WARM_degC and steps > max(points) + 1.0:
            behind_K = curve_at(OIL_BEHIND_K, at_degC) if at_degC < LAGGING_degC else 0.0
            needed_mm2 = _area_for(car, curve_at(curves.target_rpm, at_degC), at_degC - behind_K)
            points[steps] = needed_mm2 - leak_mm2
    return round(min(leak_mm2, 200.0), 3), _area_table(car, points, slope)


def _below_warm(steps: float, slope: float, warm_steps: float) -> float:
    """Area at a position up to the warm base: mildly bent, as a tapered pintle opens [mm2]."""
    bend = 0.3 * steps**2 / warm_steps if warm_steps > 0.0 else 0.0
    return slope * (0.4 * steps + bend)


def _area_table(car: Car, points: Mapping[float, float], slope: float) -> list[list[float]]:
    """The points, never falling, and on to the end of useful travel; nearly flat from there on."""
    useful, travel = float(car.valve.useful_travel_steps), float(car.valve.travel_steps)
    steps, areas = [0.0], [0.0]
    for position, area_mm2 in sorted(points.items()):
        if 0.0 < position <= useful:
            # A step opens by something wherever it is within useful travel.
            least = areas[-1] + 0.25 * slope * (position - steps[-1])
            steps.append(position)
            areas.append(max(area_mm2, least))
    last = (areas[-1] - areas[-2]) / (steps[-1] - steps[-2]) if len(steps) > 2 else slope
    if useful > steps[-1] + 0.5:
        areas.append(areas[-1] + max(last, slope) * (useful - steps[-1]))
        steps.append(useful)
    if travel > steps[-1] + 0.5:
        areas.append(areas[-1] + 0.05 * slope * (travel - steps[-1]))
        steps.append(travel)
    return [[position, round(area, 4)] for position, area in zip(steps, areas, strict=True)]


def _with_pressure(car: Car, map_kPa: float) -> Car:
    """The car with as much friction as makes it idle warm at a manifold pressure."""
    from scipy.optimize import brentq

    from sim.prepare import equilibrium

    warm_rpm = curve_at(car.curves.target_rpm, WARM_degC)

    def rubbing(scale: float) -> Car:
        return with_values(car, {"engine": {"friction_scale": scale}})

    def above(scale: float) -> float:
        one = rubbing(scale)
        leak_mm2 = _area_for(one, warm_rpm, WARM_degC)
        opened = with_values(one, {"throttle": {"leak_mm2": leak_mm2}})
        return equilibrium(opened, 0.0, WARM_degC)["map_kPa"] - map_kPa

    low, high = 0.3, 2.0
    if above(low) > 0.0 or above(high) < 0.0:
        return rubbing(low if above(low) > 0.0 else high)
    return rubbing(round(float(brentq(above, low, high, xtol=1e-3)), 3))


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


_ORIGINS = {
    RULE_OF_THUMB: "engine.inertia_kg_m2 manifold.volume_cm3 throttle.open_mm2 electrics.base_W"
    " electrics.alternator_max_W thermal.heat_capacity_kJ_per_K thermal.oil_capacity_kJ_per_K"
    " thermal.loss_W_per_K starter.stall_torque_Nm starter.sag_V_per_Nm",
    RUBS: "engine.friction_scale engine.pumping_in_friction",
    FROM_BASE: "throttle.leak_mm2 valve.area_mm2",
    TYPICAL: "engine.compression_ratio engine.work_per_air_kJ_per_kg engine.torque_delay_deg"
    " engine.volumetric_efficiency engine.scatter_share spark.base_deg spark.best_deg manifold.air_degC"
    " valve.useful_travel_steps valve.open_limit_steps valve.homing_steps electrics.cut_in_rpm"
    " electrics.full_rpm thermal.heat_share_to_coolant thermal.thermostat_degC starter.free_rpm"
    " curves.target_rpm curves.cranking_steps curves.after_start_steps valve.pull_in_ms",
    STARTING_POINT: " ".join(f"feedback.{key}" for key in Feedback.model_fields),
}
"""Keys of the car file by where their estimated numbers come from."""


def _notes(known: Known) -> dict[str, str]:
    """Say of each estimated key where its number comes from."""
    notes = {key: note for note, names in _ORIGINS.items() for key in names.split()}
    if known.travel_steps is None:
        notes["valve.travel_steps"] = NOT_COUNTED
    if known.loads is None:
        notes |= {f"loads.{name}": TYPICAL for name in ("lamps_W", "fan_W")}
    return {key: note for key, note in notes.items() if key.partition(".")[2] not in (known.feedback or {})}
