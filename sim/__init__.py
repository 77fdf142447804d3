"""The engine with its bypass valve, simulated event by event.

``load_car``, ``load_scenario`` and ``simulate`` are the public way in; names are loaded when first asked for,
so that reading a file does not start the compiler.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sim.car import Car, car_to_toml, cars_folder, load_car, save_car, with_values
    from sim.errors import EvenidleError, InputError, Problem
    from sim.estimates import FINE_TRAVEL_steps, Known, estimate_car
    from sim.files import (
        bundled_cars,
        bundled_folder,
        bundled_logs,
        bundled_scenarios,
        keep_copy,
        one_problem,
        read_regular,
        read_text,
        refuse_no_place,
        write_beside,
    )
    from sim.fleet import Fleet, compile_parts, full_plan, make_fleet, run_plan, settings_of, settings_table
    from sim.prepare import equilibrium
    from sim.runs import COUNTERS, Plan, SAMPLE_s
    from sim.scenario import Event, Scenario, Window, load_scenario
    from sim.schedule import simulate
    from sim.trace import LOG_COLUMNS, Trace

_HOMES = {
    name: home
    for home, names in {
        "runs": "COUNTERS Plan SAMPLE_s",
        "car": "Car car_to_toml cars_folder load_car save_car with_values",
        "errors": "EvenidleError InputError Problem",
        "estimates": "FINE_TRAVEL_steps Known estimate_car",
        "files": "bundled_cars bundled_folder bundled_logs bundled_scenarios keep_copy one_problem"
        " read_regular read_text refuse_no_place write_beside",
        "fleet": "Fleet compile_parts full_plan make_fleet run_plan settings_of settings_table",
        "prepare": "equilibrium",
        "scenario": "Event Scenario Window load_scenario",
        "schedule": "simulate",
        "trace": "LOG_COLUMNS Trace",
    }.items()
    for name in names.split()
}

__all__ = [
    "COUNTERS", "LOG_COLUMNS", "Car", "EvenidleError", "Event", "FINE_TRAVEL_steps", "Fleet", "InputError",
    "Known", "Plan", "Problem", "SAMPLE_s", "Scenario", "Trace", "Window", "bundled_cars", "bundled_folder",
    "bundled_logs", "bundled_scenarios", "car_to_toml", "cars_folder", "compile_parts", "equilibrium",
    "estimate_car", "full_plan", "keep_copy", "load_car", "load_scenario", "make_fleet", "one_problem",
    "read_regular", "read_text", "refuse_no_place", "run_plan", "save_car", "settings_of", "settings_table",
    "simulate", "with_values", "write_beside",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'sim' has no attribute {name!r}")
    value = getattr(import_module(f"sim.{_HOMES[name]}"), name)
    globals()[name] = value
    return value
