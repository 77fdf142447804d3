"""Suites of scenarios for the stress matrix, by the names of their files in ``scenarios/``."""

from __future__ import annotations

from collections.abc import Mapping

from sim import Car, Scenario, load_scenario
from sim.files import one_problem

LOADS = (
    "lamps", "fan", "heated_screen", "everything_on", "steering", "aircon_cycling", "gear_engagement",
    "clutch_drag",
)  # fmt: skip
DRIVING = ("blip_return", "fuel_cut_return", "throttle_flicker", "rolling_in_gear", "roll_to_rest")
WEATHER = (
    "cold_start_m20", "cold_start_m10", "cold_start_0", "cold_start_10", "cold_start_20", "hot_restart",
    "hot_idle", "altitude_2000m",
)  # fmt: skip
FAULTS = (
    "low_battery", "tired_battery", "lost_step", "lost_steps_5", "sticky_valve", "backlash", "vacuum_leak",
    "weak_cylinder", "noisy_rpm", "slow_coolant_sensor", "spark_retards", "wrong_direction",
)  # fmt: skip
"""What goes wrong: there feedback cannot keep everything, and some limits only warn."""

SUITES: Mapping[str, tuple[str, ...]] = {
    "standard": ("warm_idle", *LOADS, *DRIVING, *WEATHER, *FAULTS), "loads": ("warm_idle", *LOADS, *DRIVING),
    "weather": ("warm_idle", *WEATHER), "faults": ("warm_idle", *FAULTS),
}  # fmt: skip
"""Scenarios of each suite, in order."""

CHANGES: Mapping[str, Mapping[str, Mapping[str, object]]] = {
    "slow_coolant_sensor": {"sensors": {"coolant_lag_s": 60.0}}
}
"""What a scenario changes of every car, where that is no event of a run."""

LOAD_NAMES = ("lamps", "fan", "screen", "steering", "aircon", "gearbox", "clutch")
ASKING = (*LOAD_NAMES, "throttle_share", "torque_Nm", "fuel_cut", "key")  # Events that ask the valve to move.
REST_SHARE = 0.5
LEAST_LOAD_s = 12.0
AFTER_START_s = 35.0
"""A start is watched this long after its own window; the rest of the warm-up is left out [s]."""


def suite_scenarios(suite: str) -> dict[str, Scenario]:
    """Read the scenarios of a suite."""
    if suite not in SUITES:
        message = f"there is no such suite ({suite}), allowed: {', '.join(SUITES)}"
        raise one_problem("command line", 1, "suite", message)
    return {key: watched_longer(load_scenario(key)) for key in SUITES[suite]}


def watched_longer(scenario: Scenario) -> Scenario:
    """Measure hunting and error after starts, and in the second half of longer loads, as well."""
    given = scenario.model_dump()
    windows = [window.model_dump() for window in scenario.measure]
    for one in scenario.measure:
        length_s = one.to_s - one.from_s
        if one.what == "load" and length_s >= LEAST_LOAD_s:
            begin_s = one.to_s - REST_SHARE * length_s
            windows.append({"what": "hunting", "from_s": begin_s, "to_s": one.to_s})
    started_s = max((one.to_s for one in scenario.measure if one.what == "start"), default=0.0)
    end_s = scenario.duration_s
    if started_s > 0.0:
        end_s = min(started_s + AFTER_START_s, end_s)
        if end_s > started_s:
            windows.append({"what": "hunting", "from_s": started_s, "to_s": end_s})
    given["event"] = [event for event in given["event"] if event["at_s"] <= end_s]
    return Scenario.model_validate(given | {"measure": windows, "duration_s": end_s})


def is_at_rest(scenario: Scenario) -> bool:
    """Whether the engine idles by itself but for one load at most."""
    return scenario.start == "idle" and sum(event.set in ASKING for event in scenario.event) <= 1


def is_fitted(car: Car, scenario: Scenario) -> bool:
    """Whether a car has what a scenario switches.

    False only where everything that happens is a load the car has not got.
    """
    if not scenario.event:
        return True
    return any(event.set not in LOAD_NAMES or _amount(car, event.set) > 0.0 for event in scenario.event)


def not_fitted(car: Car, scenario: Scenario) -> tuple[str, ...]:
    """Names of loads that a scenario switches and a car has not got, in order; empty where all are fitted."""
    switched = {event.set for event in scenario.event}
    return tuple(one for one in LOAD_NAMES if one in switched and _amount(car, one) <= 0.0)


def _amount(car: Car, load: str) -> float:
    electric = load in ("lamps", "fan", "screen")
    return float(getattr(car.loads, f"{load}_W" if electric else f"{load}_Nm"))
