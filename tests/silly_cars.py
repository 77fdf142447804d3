"""Any car a file may describe, however silly: drawn from the bounds of the file's own models."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st
from pydantic import BaseModel

from controllers import Feedback
from sim import Car, Scenario
from sim.car_tables import Engine, Manifold, Mixture, Spark, Throttle, Valve
from sim.equipment_tables import Electrics, Loads, Sensors
from sim.scenario import EVENT_RANGES, KEY_POSITIONS, WHOLE_EVENTS

Draw = Any
LAWS = ["none", "pi", "pid", "nudge", "pi_park"]


def bounds(model: type[BaseModel], name: str) -> tuple[float, float]:
    """Lowest and highest value that a field accepts."""
    low, high = -1e9, 1e9
    for rule in model.model_fields[name].metadata:
        low = getattr(rule, "ge", getattr(rule, "gt", low))
        high = getattr(rule, "le", getattr(rule, "lt", high))
    return float(low), float(high)


def ends_or_between(low: float, high: float) -> st.SearchStrategy[float]:
    """A number of a range; half of the time one of its ends."""
    return st.one_of(st.sampled_from([low, high]), st.floats(low, high))


def numbers(draw: Draw, model: type[BaseModel], **narrower: tuple[float, float]) -> dict[str, Any]:
    """A value for each plain number of a table, within its bounds or narrower ones."""
    values: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        kind = str(field.annotation)
        if "tuple" in kind or "bool" in kind or "str" in kind or "Literal" in kind:
            continue
        low, high = narrower.get(name, bounds(model, name))
        if field.annotation is int:
            values[name] = draw(st.one_of(st.sampled_from([int(low), int(high)]),
                                          st.integers(int(low), int(high))))  # fmt: skip
        elif field.is_required() or draw(st.booleans()):
            values[name] = draw(ends_or_between(low, high))
    return values


def engine(draw: Draw) -> dict[str, Any]:
    """Table [engine], its cross-checks kept."""
    size = draw(ends_or_between(*bounds(Engine, "displacement_cm3")))
    cylinders = draw(st.one_of(st.sampled_from([1, 12]), st.integers(1, 12)))
    values = numbers(
        draw,
        Engine,
        displacement_cm3=(size, size),
        cylinders=(cylinders, cylinders),
        inertia_kg_m2=(max(0.005, 2e-5 * size), 3.0),
        torque_delay_deg=(90.0, min(360.0, 2160.0 / cylinders)),
    )
    filling = values["volumetric_efficiency"]
    steepest = ((0.2 - filling) / 4.0, (1.5 - filling) / 4.0)
    values["volumetric_efficiency_per_1000rpm"] = draw(
        ends_or_between(max(-0.3, steepest[0] + 1e-9), min(0.3, steepest[1] - 1e-9))
    )
    values["friction_bar"] = draw(
        st.sampled_from([(0.97, 0.15, 0.05), (0.1, 0.0, 0.0), (5.0, 2.0, 1.0), (0.5, 1.6, -0.1),
                         (0.3, -0.1, 0.05), (0.1, 2.0, 0.0)])
    )  # fmt: skip
    values["pumping_in_friction"] = draw(st.booleans())
    weak = draw(st.sampled_from([1.0, 0.5, 1.5]))
    balance = [weak] * cylinders
    if cylinders > 1 and draw(st.booleans()):
        balance = [1.5, *balance[1:-1], 0.0] if cylinders > 2 else [1.5, 0.0]
    mean = sum(balance) / cylinders
    values["cylinder_balance"] = tuple(balance if mean >= 0.5 else [1.0] * cylinders)
    return values


def valve(draw: Draw) -> dict[str, Any]:
    """Table [valve], any rising area."""
    values = numbers(draw, Valve)
    values["useful_travel_steps"] = min(values["useful_travel_steps"], values["travel_steps"])
    last = draw(st.sampled_from([1.0, 5.0, 60.0, 400.0]))
    shut = draw(st.sampled_from([0.0, 0.5, 10.0]))
    wide = draw(st.sampled_from([0.6, 20.0, 1000.0]))
    values["area_mm2"] = ((0.0, shut), (last, max(wide, shut + 0.1)))
    values["wired_reversed"] = draw(st.booleans())
    return values


def feedback(draw: Draw) -> dict[str, Any]:
    """Table [feedback]; updates of a millisecond only for short runs."""
    values = numbers(draw, Feedback)
    low, high = sorted((draw(ends_or_between(-400.0, 400.0)), draw(ends_or_between(-400.0, 400.0))))
    values["law"] = draw(st.sampled_from(LAWS))
    values["trim_limit_steps"] = (low, high)
    return values


def curves(draw: Draw, stall_rpm: float) -> dict[str, Any]:
    """Table [curves], from flat to cliff."""
    speed = ends_or_between(max(200.0, stall_rpm + 100.0), 4000.0)
    steps = ends_or_between(0.0, 400.0)

    def two(values: st.SearchStrategy[float]) -> tuple[tuple[float, float], ...]:
        return ((0.0, draw(values)), (draw(st.sampled_from([0.5, 80.0])), draw(values)))

    return {
        "target_rpm": two(speed),
        "base_steps": two(steps),
        "cranking_steps": two(steps),
        "after_start_steps": two(steps),
        "after_start_fade_s": draw(ends_or_between(0.1, 600.0)),
    }


@st.composite
def silly_cars(draw: Draw) -> Car:
    """A car that is accepted, sensible or not."""
    motor = engine(draw)
    size = motor["displacement_cm3"]
    electrics = numbers(draw, Electrics, cut_in_rpm=(0.0, 2000.0))
    usual = Electrics()
    least_full = electrics.get("cut_in_rpm", usual.cut_in_rpm) + 100.0
    electrics["full_rpm"] = max(electrics.get("full_rpm", usual.full_rpm), least_full)
    throttle = numbers(draw, Throttle, leak_mm2=(0.0, min(200.0, 1.9 * size)))
    throttle["open_mm2"] = min(max(throttle["open_mm2"], throttle["leak_mm2"] + 0.1), 2.0 * size)
    best = draw(ends_or_between(*bounds(Spark, "best_deg")))
    spark = numbers(draw, Spark, base_deg=(max(best - 20.0, -20.0), min(best + 20.0, 50.0)))
    spark["best_deg"] = best
    mixture = numbers(draw, Mixture, lambda_base=(0.75, 1.05), loss=(0.0, 6.0))
    volume = (max(100.0, 0.15 * size), 20e3)
    return Car.model_validate(
        {
            "car": {"name": "silly"},
            "engine": motor,
            "spark": spark,
            "mixture": mixture,
            "manifold": numbers(draw, Manifold, volume_cm3=volume),
            "throttle": throttle,
            "valve": valve(draw),
            "electrics": electrics,
            "loads": numbers(draw, Loads),
            "sensors": numbers(draw, Sensors),
            "curves": curves(draw, motor.get("stall_rpm", 250.0)),
            "feedback": feedback(draw),
        }
    )


@st.composite
def silly_scenarios(draw: Draw, duration_s: float = 4.0) -> Scenario:
    """A run with up to five events, any value that is accepted, at any time."""
    events = []
    for _ in range(draw(st.integers(0, 5))):
        name = draw(st.sampled_from([*EVENT_RANGES, "key"]))
        event: dict[str, Any] = {"at_s": draw(ends_or_between(0.0, duration_s)), "set": name}
        if name == "key":
            event["to"] = draw(st.sampled_from(KEY_POSITIONS))
        elif name in WHOLE_EVENTS:
            low, high = EVENT_RANGES[name]
            event["to"] = float(draw(st.integers(int(low), int(high))))
        else:
            event["to"] = draw(ends_or_between(*EVENT_RANGES[name]))
        events.append(event)
    return Scenario.model_validate(
        {
            "name": "silly",
            "duration_s": duration_s,
            "coolant_degC": draw(ends_or_between(-40.0, 130.0)),
            "ambient_degC": draw(ends_or_between(-40.0, 60.0)),
            "altitude_m": draw(ends_or_between(-500.0, 5000.0)),
            "event": events,
        }
    )
