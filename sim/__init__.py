"""The engine with its bypass valve, simulated event by event.

``load_car``, ``load_scenario`` and ``simulate`` are the public way in; names are loaded when
first asked for, so that reading a file does not start the compiler.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sim.batch import COUNTERS, Plan, SAMPLE_s
    from sim.car import Car, car_to_toml, load_car, save_car, with_values
    from sim.errors import EvenidleError, InputError, Problem
    from sim.files import bundled_cars, bundled_logs, bundled_scenarios
    from sim.fleet import Fleet, full_plan, make_fleet, run_plan, settings_of, settings_table
    from sim.prepare import equilibrium
    from sim.scenario import Scenario, load_scenario
    from sim.schedule import simulate
    from sim.trace import Happening, Trace

_HOMES = {
    "COUNTERS": "batch",
    "SAMPLE_s": "batch",
    "Plan": "batch",
    "Car": "car",
    "car_to_toml": "car",
    "load_car": "car",
    "save_car": "car",
    "with_values": "car",
    "bundled_cars": "files",
    "bundled_logs": "files",
    "bundled_scenarios": "files",
    "EvenidleError": "errors",
    "InputError": "errors",
    "Problem": "errors",
    "Fleet": "fleet",
    "full_plan": "fleet",
    "make_fleet": "fleet",
    "run_plan": "fleet",
    "settings_of": "fleet",
    "settings_table": "fleet",
    "equilibrium": "prepare",
    "Scenario": "scenario",
    "load_scenario": "scenario",
    "simulate": "schedule",
    "Happening": "trace",
    "Trace": "trace",
}

__all__ = [
    "COUNTERS",
    "Car",
    "EvenidleError",
    "Fleet",
    "Happening",
    "InputError",
    "Plan",
    "Problem",
    "SAMPLE_s",
    "Scenario",
    "Trace",
    "bundled_cars",
    "bundled_logs",
    "bundled_scenarios",
    "car_to_toml",
    "equilibrium",
    "full_plan",
    "load_car",
    "load_scenario",
    "make_fleet",
    "run_plan",
    "save_car",
    "settings_of",
    "settings_table",
    "simulate",
    "with_values",
]


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sim' has no attribute {name!r}")
    value = getattr(import_module(f"sim.{home}"), name)
    globals()[name] = value
    return value
