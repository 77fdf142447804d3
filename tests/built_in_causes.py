"""Cars that hunt by one fault built into them: what the explanation names is held against it.

A healthy car rests from every starting place.  One thing is then changed: gains, valve speed,
update period, trim limits, backlash or minimum move, by an amount that is drawn.  Kept are cars
that hunt with the change and rest without it, so that the cause is known without asking any theory.
No constant of the explanation was set on them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sim import Car, with_values
from tests.random_idle_cars import random_car
from tuning.explanation.ablation import ablation, held_floor
from tuning.explanation.causes import named_by_theory, ranked
from tuning.explanation.ends import ends_of, even_phases, run_phases, without_scatter
from tuning.explanation.resolution import resolution_view
from tuning.explanation.switches import switches
from tuning.loop import IdlePoint, idle_point, linear_view, usual_idle
from tuning.loop.rules import starting_settings
from tuning.loop.sampled_loop import SampledLaw, ultimate_gain

CAUSES = ("gains", "valve_speed", "updates", "limits", "backlash", "resolution")
PHASES = 12
HUNTS, RESTS = 0.25, 0.0
"""Least share of starting places from which the faulty car hunts, most for the healthy one [-]."""
MOST_TRIED = 20
"""Cars drawn for each that is wanted before a cause is given up."""

Changes = dict[str, dict[str, Any]]


@dataclass(frozen=True)
class Built:
    """A car with one fault, and what is said of it."""

    car: Car
    cause: str
    by_theory: str
    by_switching: str


def quiet_chance(car: Car, point: IdlePoint) -> float:
    """Share of starting places from which it hunts, scatter taken out."""
    quiet = without_scatter(car)
    phases = even_phases(car, point, PHASES)
    return ends_of(run_phases([quiet], phases, coolant_degC=point.coolant_degC)).chance


def _gains(law: SampledLaw) -> dict[str, float]:
    return {
        "gain_steps_per_100rpm": law.gain_steps_per_100rpm,
        "integral_steps_per_100rpm_s": law.integral_steps_per_100rpm_s,
    }


def _at_border(point: IdlePoint, law: SampledLaw, times: float) -> dict[str, float]:
    """Gains so many times below those at which the loop without steps swings."""
    return _gains(law.scaled(ultimate_gain(point.plant, law).multiplier / times))


def healthy(rng: np.random.Generator) -> tuple[Car, IdlePoint] | None:
    """A car with gains by rule, small moves, a deadband that always holds one, and no play."""
    drawn = random_car(rng)
    point = idle_point(drawn)
    if point is None or point.needed_steps < 10.0 or not point.plant.is_stable():
        return None
    move = int(rng.integers(1, 3))
    law = starting_settings(point.plant, 0.1, "simc").scaled(rng.uniform(0.4, 0.9))
    feedback = _gains(law) | {
        "min_move_steps": move,
        "deadband_rpm": move * point.rpm_per_step * rng.uniform(0.6, 0.9),
        "update_period_ms": 100.0,
    }
    base = ((0.0, point.needed_steps), (100.0, point.needed_steps))
    return with_values(drawn, {"feedback": feedback, "curves": {"base_steps": base}}), point


def _slow_valve(rng: np.random.Generator, point: IdlePoint, law: SampledLaw) -> Changes:
    """A valve so slow that gains swing with it that a quick valve leaves far below their border."""
    move, step_s = int(rng.integers(2, 5)), float(rng.uniform(0.04, 0.1))
    slow = replace(point.plant, valve_step_s=step_s)
    quick_border = ultimate_gain(point.plant, law, move).multiplier
    slow_border = ultimate_gain(slow, law, move).multiplier
    times = math.sqrt(quick_border * slow_border) * rng.uniform(0.9, 1.1)
    half = {"pulse_ms": 500.0 * step_s, "rest_ms": 500.0 * step_s}
    band = {"min_move_steps": move, "deadband_rpm": move * point.rpm_per_step * 0.6}
    return {"valve": half, "feedback": _gains(law.scaled(times)) | band}


def fault(rng: np.random.Generator, cause: str, point: IdlePoint) -> Changes:
    """What is changed, and by how much."""
    u, half = rng.uniform, 0.5 * point.rpm_per_step
    law = starting_settings(point.plant, 0.1, "simc")
    if cause == "gains":
        return {"feedback": _at_border(point, law, 1.0 / u(1.2, 2.5))}
    if cause == "valve_speed":
        return _slow_valve(rng, point, law)
    if cause == "updates":
        slow = {"update_period_ms": float(u(800.0, 2500.0))}
        return {"feedback": slow | _at_border(point, law, u(1.5, 3.0))}
    if cause == "limits":
        low, high = -float(rng.integers(0, 3)), float(rng.integers(0, 3))
        return {"feedback": {"trim_limit_steps": (low, high)} | _at_border(point, law, u(1.2, 3.0))}
    if cause == "backlash":
        play = {"backlash_steps": float(u(2.0, 8.0))}
        return {"valve": play, "feedback": _at_border(point, law, u(1.3, 3.0))}
    move = int(rng.integers(3, 9))
    return {"feedback": {"min_move_steps": move, "deadband_rpm": move * half * u(0.0, 0.7)}}


def without(cause: str, changes: Changes) -> Changes:
    """The same without the fault itself: gains that came along stay."""
    kept = {table: dict(values) for table, values in changes.items()}
    kept.pop("valve", None)
    for key in ("update_period_ms", "trim_limit_steps"):
        kept["feedback"].pop(key, None)
    return {} if cause in ("gains", "resolution") else kept


def _told(car: Car, point: IdlePoint, cause: str) -> Built:
    """What theory names, and what the switch-offs, on their own, put first."""
    quiet, phases = without_scatter(car), even_phases(car, point, PHASES)
    linear = linear_view(quiet, point, quick=True)
    still = with_values(quiet, {"feedback": {"law": "none"}})
    held = held_floor([still], phases, point.coolant_degC, 0)[0]
    table = ablation(switches(quiet, linear, {}), held, point, phases, 0)
    named = named_by_theory(quiet, linear, resolution_view(quiet, point, phases, 0.0), table)
    told = ranked(table, named)
    return Built(car, cause, named, told[0][0] if told else "")


def built_cars(count: int, seed: int, causes: tuple[str, ...] = CAUSES) -> list[Built]:
    """Up to so many cars of each cause; fewer where they cannot be built."""
    found: list[Built] = []
    for cause in causes:
        rng, kept = np.random.default_rng([seed, CAUSES.index(cause)]), 0
        for _ in range(count * MOST_TRIED):
            if kept == count:
                break
            made = healthy(rng)
            if made is None:
                continue
            car, point = made
            changes = fault(rng, cause, point)
            faulty, sound = with_values(car, changes), with_values(car, without(cause, changes))
            at_fault = usual_idle(faulty)
            if at_fault is None or quiet_chance(faulty, at_fault) < HUNTS:
                continue
            if quiet_chance(sound, point) > RESTS:
                continue
            found.append(_told(faulty, at_fault, cause))
            kept += 1
    return found
