"""The engine with its bypass valve, simulated event by event.

``load_car``, ``load_scenario`` and ``simulate`` are the public way in; names are loaded when
first asked for, so that reading a file does not start the compiler.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sim.car import Car, car_to_toml, load_car, save_car, with_values
    from sim.errors import EvenidleError, InputError, Problem
    from sim.files import bundled_cars, bundled_logs, bundled_scenarios
    from sim.fleet import Fleet, full_plan, make_fleet, run_plan, settings_of, settings_table
    from sim.prepare import equilibrium
    from sim.runs import COUNTERS, Plan, SAMPLE_s
    from sim.scenario import Scenario, load_scenario
    from sim.schedule import simulate
    from sim.trace import Happening, Trace

_HOMES = {
    name: home
    for home, names in {
        "car": "Car car_to_toml load_car save_car with_values",
        "errors": "EvenidleError InputError Problem",
        "files": "bundled_cars bundled_logs bundled_scenarios",
        "fleet": "Fleet full_plan make_fleet run_plan settings_of settings_table",
        "prepare": "equilibrium",
        "runs": "COUNTERS SAMPLE_s Plan",
        "scenario": "Scenario load_scenario",
        "schedule": "simulate",
        "trace": "Happening Trace",
    }.items()
    for name in names.split()
}

__all__ = [
    "COUNTERS", "Car", "EvenidleError", "Fleet", "Happening", "InputError", "Plan", "Problem",
    "SAMPLE_s", "Scenario", "Trace", "bundled_cars", "bundled_logs", "bundled_scenarios",
    "car_to_toml", "equilibrium", "full_plan", "load_car", "load_scenario", "make_fleet",
    "run_plan", "save_car", "settings_of", "settings_table", "simulate", "with_values",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'sim' has no attribute {name!r}")
    value = getattr(import_module(f"sim.{_HOMES[name]}"), name)
    globals()[name] = value
    return value
