"""In the processes beside the server: runs and theory of Explore, given as plain values to draw."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

import sim
import tuning
from workbench.figures.trace import trace_finding
from workbench.page.points import changes, thinned
from workbench.page.wish import Wish
from workbench.words.facts import completed, estimated
from workbench.words.sentence import capital
from workbench.words.wording import in_words, worded

WARM_degC = 90.0
MOST_POINTS = 480  # A line is sent as no more: about one point a pixel and a half on a laptop.
SEEDS = 8  # Runs with loads, by which dips and settling of two versions are compared [-].


def idle(car: sim.Car, wish: Wish, seed: int, steps_of: sim.Car | None = None) -> dict[str, Any]:
    """Run one idle; a valve of finer steps is told in those of another car."""
    run = run_view(car, wish, seed)
    finer = 1.0 if steps_of is None else car.valve.travel_steps / steps_of.valve.travel_steps
    run["valve_steps"] = run["valve_steps"] / finer
    time_s, lines = run.pop("time_s"), {name: run[name] for name in ("rpm", "valve_steps")}
    return run | {
        "rpm": thinned(time_s, lines["rpm"], MOST_POINTS),
        "valve_steps": changes(time_s, lines["valve_steps"], MOST_POINTS),
        "spans": {name: [float(one.min()), float(one.max())] for name, one in lines.items()},
        "rungs": rungs_of(wish.car(car), wish.coolant_degC, float(lines["valve_steps"][-1])),
    }


def run_view(car: sim.Car, wish: Wish, seed: int = 0) -> dict[str, Any]:
    """Run the car as wished: lines to be drawn, and what is said of them."""
    supposed, scenario = wish.car(car), wish.scenario()
    held = sim.with_values(supposed, {"feedback": {"law": "none"}})
    fleet = sim.make_fleet([supposed], [scenario])
    plan = sim.full_plan(fleet, sim.settings_table([supposed, held]), seeds=[seed])
    kept: dict[str, Any] = {}

    def keep(_rows: Any, rpm: Any, steps: Any, counters: Any) -> None:
        kept.update(rpm=rpm[0].copy(), steps=steps[0].copy(), held_rpm=rpm[1].copy())
        kept.update(zip(sim.COUNTERS, counters[0].tolist(), strict=True))

    sim.run_plan(fleet, plan, keep, cores=1)
    return {
        "time_s": (np.arange(kept["rpm"].size) + 1) * sim.SAMPLE_s, "rpm": kept["rpm"],
        "valve_steps": kept["steps"], "target_rpm": float(kept["target_rpm"]),
        "deadband_rpm": car.feedback.deadband_rpm, "finding": _finding(supposed, scenario, kept),
    }  # fmt: skip


def _finding(car: sim.Car, scenario: sim.Scenario, kept: dict[str, Any]) -> str:
    """What the run drawn shows; whether it hunts is told of many runs, not of this one."""

    def trace(rpm: Any, steps: Any) -> sim.Trace:
        begins_s = np.arange(rpm.size) * sim.SAMPLE_s  # a slot's value holds within it
        signals = {"rpm": rpm, "valve_steps": steps, "target_rpm": np.full(rpm.size, kept["target_rpm"])}
        counted = {name: kept[name] for name in sim.COUNTERS}
        return sim.Trace(
            begins_s, signals, (), kept["stalled_s"], car.name,
            duration_s=scenario.duration_s, counters=counted,
        )  # fmt: skip

    run, windows = trace(kept["rpm"], kept["steps"]), scenario.measure
    floor_rpm, floor = 0.0, ""
    if windows[0].what == "hunting":
        held = tuning.measure(trace(kept["held_rpm"], 0.0 * kept["steps"]), windows[:1])
        floor_rpm = held.hunting_rpm
        floor = f" With the valve held still it would be {floor_rpm:.0f} rpm."
    measures = tuning.measure(run, windows, floor_rpm=floor_rpm)
    swing = f"in the run drawn speed swings by {measures.hunting_rpm:.0f} rpm peak to peak" if floor else None
    told = trace_finding(run, measures, swing).partition(": ")[2]
    return capital(told) + ("" if math.isfinite(run.stalled_s) else floor)


def rungs_of(car: sim.Car, coolant_degC: float, standing_steps: float) -> dict[str, Any]:
    """Find where the valve can hold."""
    still = sim.with_values(car, {"feedback": {"law": "none"}})
    point = _idle_point(still, coolant_degC)
    if point is None:
        return {"reached": [], "passed": [], "bar": [], "holds": None, "text": ""}
    on = car.feedback.acts
    move = tuning.tread_steps(car) if on else point.rpm.size
    first = int(round(standing_steps)) % move
    half = tuning.resting_deadband_rpm(car) if on else 0.0
    bar = [point.target_rpm - half, point.target_rpm + half]
    every = [[float(steps), round(float(rpm), 1)] for steps, rpm in enumerate(point.rpm)]
    reached = [one for one in every if int(one[0]) % move == first]
    inside = [one for one in reached if bar[0] <= one[1] <= bar[1]]
    return {
        "reached": reached, "passed": [one for one in every if one not in reached], "bar": bar,
        "holds": bool(inside) if on else None,
        "text": _told(point, reached, inside, move, 2.0 * half) if on else "",
    }  # fmt: skip


def _told(
    point: tuning.IdlePoint, reached: list[list[float]], inside: list[list[float]], move: int, wide_rpm: float
) -> str:
    """Say whether a position holds, and why not."""
    moves = "Single steps" if move == 1 else f"Moves of {move} steps"
    below = [rpm for _, rpm in reached if rpm <= point.target_rpm]
    above = [rpm for _, rpm in reached if rpm > point.target_rpm]
    apart = f" are {min(above) - max(below):.0f} rpm apart here" if below and above else ""
    told = f"{moves}{apart}, the deadband is {wide_rpm:.0f} rpm wide:"
    if inside:
        named = ", ".join(f"{steps:.0f}" for steps, _ in inside[:3])
        more = " and more" if len(inside) > 3 else ""
        return f"{told} at {named}{more} steps the valve can hold."
    return f"{told} no position reached lies in it, so the valve cannot hold."


@lru_cache(maxsize=8)
def _idle_point(still: sim.Car, coolant_degC: float) -> tuning.IdlePoint | None:
    """Found once while only settings of the feedback change."""
    return tuning.idle_point(still, coolant_degC)


def pressure(car: sim.Car, wish: Wish, seed: int) -> list[list[float]]:
    """Manifold pressure of the same idle, by the narrated schedule: the same to the last bit."""
    values = sim.simulate(wish.car(car), wish.scenario(), seed).resampled("map_kPa")
    return thinned((np.arange(values.size) + 1) * sim.SAMPLE_s, values, MOST_POINTS, 2)


def described(given: dict[str, str | None], cooling: str) -> str:
    """What a car of a few facts comes to, and whether it hunts; nothing while a fact is wrong."""
    try:
        car, _ = estimated(completed(given)[0], "so far", cooling)
    except sim.InputError:
        return ""
    point = tuning.idle_point(car, WARM_degC)
    if point is None:
        return "So far: no position of the valve gives the target speed when warm."
    told = f"So far: warm it idles at {point.target_rpm:.0f} rpm on {point.needed_steps:.0f} steps,"
    told += f" {point.rpm_per_step:.0f} rpm a step."
    return f"{told} {chance(car, WARM_degC, 0)['verdict']}" if car.feedback.acts else told


def chance(car: sim.Car, coolant_degC: float, seed: int) -> dict[str, Any]:
    """How often the car hunts."""
    found = _chance(car, coolant_degC, seed)
    verdict, *quiet = [value for _, value in found.told.values if isinstance(value, tuning.Note)] or [
        found.told
    ]
    told = in_words(verdict)
    bad = found.may_hunt or found.stalled_share > 0.0
    return {
        "verdict": f"{capital(told).removesuffix('.')}.", "hunts": found.hunts, "bad": bad,
        "text": " ".join(map(in_words, quiet)),
    }  # fmt: skip


def what_ifs(car: sim.Car, coolant_degC: float, seed: int) -> list[dict[str, Any]]:
    """What is left of the swing with one thing changed, and the car that is so changed."""
    found = tuning.what_ifs(car, _chance(car, coolant_degC, seed), seed)
    return [
        {
            "key": row.key, "name": in_words(row.name), "car": one, "swing_rpm": row.with_scatter_swing_rpm,
            "hunting_percent": 100.0 * row.with_scatter_chance, "left_percent": 100.0 * row.left_share,
        }
        for one, row in found
    ]  # fmt: skip


@lru_cache(maxsize=8)
def version(car: sim.Car, wish: Wish, seed: int) -> dict[str, float]:
    """What two versions of a car are compared by: warm idle as it is judged, and runs with loads."""
    supposed, scenario = wish.car(car), replace(wish, load_on=True, blip=False).scenario()
    found = _chance(supposed, wish.coolant_degC, seed)
    fleet, rows = sim.make_fleet([supposed], [scenario]), []
    plan = sim.full_plan(fleet, sim.settings_table([supposed]), seeds=range(seed, seed + SEEDS))

    def keep(_rows: Any, rpm: Any, steps: Any, counters: Any) -> None:
        counted = dict(zip(sim.COUNTERS, counters.T, strict=True))
        stalled = np.ceil(np.nan_to_num(counted["stalled_s"]) / sim.SAMPLE_s).astype(int) - 1
        rows.append(tuning.measure_runs(rpm, steps, scenario.measure, counted["target_rpm"], stalled))

    sim.run_plan(fleet, plan, keep, cores=1)
    names = [one.name for one in tuning.MEASURES]
    load = dict(zip(names, np.concatenate(rows).mean(axis=0).tolist(), strict=True))
    return {
        "hunting": 100.0 * found.share, "swing": found.swing_rpm, "dip": load["worst_dip_rpm"],
        "settling": load["settle_s"], "moves": found.moves_per_min,
    }  # fmt: skip


def hunting_map(car: sim.Car, coolant_degC: float, kind: str, seed: int) -> dict[str, Any] | None:
    """Where it hunts, over two settings."""
    found = tuning.hunting_map(car, _chance(car, coolant_degC, seed), kind, seed)
    return None if found is None else worded(found.to_dict())


@lru_cache(maxsize=8)
def _chance(car: sim.Car, coolant_degC: float, seed: int) -> tuning.StartChance:
    """Found once for sentence, cause and map of the same settings."""
    return tuning.hunting_chance(car, coolant_degC, seed)
