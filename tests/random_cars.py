"""Random cars and scenarios for the tests: seeded, valid as files, most of them able to idle."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sim import Car, Scenario
from sim.scenario import EVENT_RANGES, KEY_POSITIONS

LAWS = ("none", "pi", "pid", "nudge", "pi_park")
CHOKED = 0.6847  # flow parameter of choked air, see tests/published/test_air.py
WHOLE_EVENTS = ("lost_steps", "valve_sticks", "wired_reversed", "home", "fuel_cut")
GENTLE_EVENTS: dict[str, tuple[float, float]] = {
    "electrical_W": (0.0, 300.0),
    "torque_Nm": (0.0, 6.0),
    "throttle_share": (0.0, 0.3),
    "vacuum_leak_mm2": (0.0, 8.0),
    "coolant_degC": (0.0, 110.0),
    "regulated_V": (8.0, 15.0),
    "lost_steps": (-6.0, 6.0),
    "rpm_noise_rpm": (0.0, 10.0),
    "advance_deg_per_100rpm": (-4.0, 8.0),
}
"""Ranges narrower than those allowed, in which most engines go on running."""


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Evenly distributed number."""
    return float(rng.uniform(low, high))


def sometimes(rng: np.random.Generator, share: float, low: float, high: float) -> float:
    """Evenly distributed number in a share of the cases, else 0."""
    value = between(rng, low, high)
    return value if rng.random() < share else 0.0


def idle_area_mm2(displacement_cm3: float, filling: float, target_rpm: float) -> float:
    """Choked opening that feeds an engine at its target speed with some 30 kPa inside."""
    drawn_m3_s = filling * displacement_cm3 * 1e-6 * target_rpm / 120.0
    gas = 287.0 * 300.0
    air_kg_s = 30e3 / gas * drawn_m3_s
    return air_kg_s * math.sqrt(gas) / (101325.0 * CHOKED) * 1e6


def random_engine(rng: np.random.Generator) -> dict[str, Any]:
    """Table [engine], 0.4 to 6 l and 1 to 12 cylinders."""
    displacement = float(np.exp(rng.uniform(np.log(400.0), np.log(6000.0))))
    cylinders = int(rng.choice([1, 2, 3, 4, 4, 4, 5, 6, 8, 12]))
    balance = rng.uniform(0.9, 1.1, cylinders) if rng.random() < 0.5 else np.ones(cylinders)
    return {
        "displacement_cm3": displacement,
        "cylinders": cylinders,
        "compression_ratio": between(rng, 7.0, 12.0),
        "inertia_kg_m2": displacement * between(rng, 6e-5, 2e-4),
        "work_per_air_kJ_per_kg": between(rng, 700.0, 950.0),
        "torque_delay_deg": between(rng, 180.0, min(360.0, 2160.0 / cylinders)),
        "volumetric_efficiency": between(rng, 0.5, 0.8),
        "volumetric_efficiency_per_1000rpm": sometimes(rng, 0.5, -0.03, 0.05),
        "residual_exponent": between(rng, 1.2, 1.4),
        "friction_scale": between(rng, 0.9, 1.2),
        "pumping_in_friction": bool(rng.random() < 0.7),
        "scatter_share": sometimes(rng, 0.8, 0.02, 0.15),
        "scatter_memory": sometimes(rng, 0.5, 0.0, 0.6),
        "cylinder_balance": tuple(float(value) for value in balance),
        "exhaust_kPa": between(rng, 95.0, 110.0) if rng.random() < 0.3 else None,
        "stall_rpm": between(rng, 200.0, 350.0),
    }


def random_valve(rng: np.random.Generator, area_mm2: float) -> dict[str, Any]:
    """Table [valve], opening to about twice the idle area, with faults in some cars."""
    useful = int(rng.integers(40, 200))
    return {
        "area_mm2": (
            (0.0, 0.0),
            (0.3 * useful, 0.5 * area_mm2),
            (0.7 * useful, 1.4 * area_mm2),
            (float(useful), 2.0 * area_mm2),
        ),
        "travel_steps": useful + int(rng.integers(0, 20)),
        "useful_travel_steps": useful,
        "open_limit_steps": useful + int(rng.integers(0, 25)),
        "pulse_ms": between(rng, 2.0, 6.0),
        "rest_ms": between(rng, 0.0, 3.0),
        "pull_in_ms": between(rng, 1.0, 3.5),
        "homing_steps": 2 * useful,
        "backlash_steps": sometimes(rng, 0.4, 0.2, 3.0),
        "series_mm2": 6.0 * area_mm2 if rng.random() < 0.3 else None,
        "wired_reversed": bool(rng.random() < 0.08),
    }


def random_feedback(rng: np.random.Generator) -> dict[str, Any]:
    """Table [feedback], every law and every extra."""
    return {
        "law": str(rng.choice(LAWS)),
        "gain_steps_per_100rpm": between(rng, 0.0, 6.0),
        "integral_steps_per_100rpm_s": between(rng, 0.0, 6.0),
        "derivative_steps_s_per_100rpm": between(rng, 0.0, 1.0),
        "deadband_rpm": between(rng, 0.0, 60.0),
        "min_move_steps": int(rng.integers(1, 6)),
        "update_period_ms": float(rng.choice([20.0, 50.0, 100.0, 250.0, rng.uniform(30.0, 400.0)])),
        "trim_limit_steps": (-between(rng, 0.0, 30.0), between(rng, 0.0, 30.0)),
        "enable_above_target_rpm": between(rng, 50.0, 600.0),
        "enable_delay_s": between(rng, 0.0, 2.0),
        "nudge_steps": int(rng.integers(1, 4)),
        "rpm_per_step": between(rng, 3.0, 40.0),
        "entry_extra_steps": sometimes(rng, 0.5, 1.0, 10.0),
        "entry_fade_s": between(rng, 0.1, 3.0),
        "load_steps_per_100W": sometimes(rng, 0.5, 0.2, 3.0),
        "aircon_steps": sometimes(rng, 0.5, 1.0, 8.0),
        "spark_trim_deg_per_100rpm": sometimes(rng, 0.4, 1.0, 8.0),
        "spark_trim_limit_deg": between(rng, 0.0, 10.0),
    }


def random_car(rng: np.random.Generator) -> Car:
    """A car as a file could describe it."""
    engine = random_engine(rng)
    size = engine["displacement_cm3"]
    target = max(between(rng, 650.0, 1200.0), engine["stall_rpm"] + 150.0)
    area = idle_area_mm2(size, engine["volumetric_efficiency"], target)
    leak = between(rng, 0.2, 0.7) * area
    valve = random_valve(rng, area)
    base = 0.3 * valve["useful_travel_steps"] * (area - leak) / (0.5 * area)
    burning = {
        "spark": {
            "base_deg": between(rng, 8.0, 18.0),
            "best_deg": between(rng, 22.0, 32.0),
            "advance_deg_per_100rpm": sometimes(rng, 0.4, -2.0, 4.0),
        },
        "mixture": {
            "lambda_base": between(rng, 0.88, 1.02),
            "wall_share": sometimes(rng, 0.4, 0.1, 0.6),
            "wall_s": between(rng, 0.1, 1.5),
            "fuelling_lag_s": sometimes(rng, 0.4, 0.01, 0.2),
        },
        "manifold": {
            "volume_cm3": min(size * between(rng, 0.5, 4.0), 20e3),
            "air_degC": between(rng, 10.0, 70.0),
        },
    }  # fmt: skip
    loads = {name: sometimes(rng, 0.7, 40.0, 250.0) for name in ("lamps_W", "fan_W", "screen_W")}
    loads |= {
        f"{name}_Nm": sometimes(rng, 0.6, 0.5, 3.0 * size / 1300.0)
        for name in ("steering", "aircon", "gearbox", "clutch")
    }
    if burning["mixture"]["lambda_base"] > 0.95:
        burning["spark"]["cold_deg"] = burning["spark"]["base_deg"] + 9.0
        burning["mixture"]["lambda_cold"] = burning["mixture"]["lambda_base"] - 0.1
    return Car.model_validate(
        {
            "car": {"name": "random"},
            "engine": engine,
            **burning,
            "throttle": {"leak_mm2": min(leak, 200.0), "open_mm2": 0.3 * size},
            "valve": valve,
            "electrics": {"lag_s": between(rng, 0.05, 0.6), "base_W": between(rng, 40.0, 200.0)},
            "loads": loads,
            "sensors": {
                "rpm_smoothing": sometimes(rng, 0.6, 0.1, 0.8),
                "rpm_resolution_rpm": sometimes(rng, 0.3, 0.5, 25.0),
                "rpm_noise_rpm": sometimes(rng, 0.4, 0.5, 8.0),
                "temperature_of": "oil" if engine["cylinders"] == 2 else "engine",
            },
            "curves": {
                "target_rpm": ((0.0, target + 150.0), (80.0, target)),
                "base_steps": ((0.0, min(base + 12.0, 400.0)), (80.0, base)),
                "cranking_steps": ((0.0, 60.0), (80.0, 40.0)),
                "after_start_steps": ((0.0, 10.0), (80.0, 4.0)),
            },
            "feedback": random_feedback(rng),
        }
    )


def random_event(rng: np.random.Generator, name: str, at_s: float) -> dict[str, Any]:
    """One event of a given kind."""
    if name == "key":
        return {"at_s": at_s, "set": name, "to": str(rng.choice(KEY_POSITIONS))}
    low, high = GENTLE_EVENTS.get(name, EVENT_RANGES[name])
    value = between(rng, low, min(high, 1.5) if name in ("lamps", "fan", "screen") else high)
    return {"at_s": at_s, "set": name, "to": float(round(value)) if name in WHOLE_EVENTS else value}


def random_scenario(rng: np.random.Generator, kinds: tuple[str, ...]) -> Scenario:
    """A scenario of 4 to 8 s with one event of each of the kinds given.

    Half of the events fall on whole tenths of a second, where controller updates fall too.
    """
    duration = between(rng, 4.0, 8.0)
    events = []
    for kind in kinds:
        at_s = between(rng, 0.0, duration)
        at_s = math.floor(at_s * 10.0) / 10.0 if rng.random() < 0.5 else at_s
        events.append(random_event(rng, kind, at_s))
    return Scenario.model_validate(
        {
            "name": "random",
            "duration_s": duration,
            "coolant_degC": between(rng, 0.0, 105.0),
            "ambient_degC": between(rng, -10.0, 40.0),
            "altitude_m": between(rng, 0.0, 3000.0),
            "event": events,
        }
    )
