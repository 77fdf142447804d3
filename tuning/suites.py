"""Suites of scenarios for the stress matrix, by the names of their files in ``scenarios/``."""

from __future__ import annotations

from collections.abc import Mapping

from sim import Car, Scenario, load_scenario
from sim.files import one_problem

LOADS = (
    "lamps",
    "fan",
    "heated_screen",
    "everything_on",
    "steering",
    "aircon_cycling",
    "gear_engagement",
    "clutch_drag",
)
DRIVING = ("blip_return", "roll_to_rest")
WEATHER = (
    "cold_idle_m20",
    "cold_idle_m10",
    "cold_idle_0",
    "cold_idle_10",
    "cold_idle_20",
    "hot_idle",
    "altitude_2000m",
)
FAULTS = (
    "low_battery",
    "lost_step",
    "lost_steps_5",
    "sticky_valve",
    "backlash",
    "vacuum_leak",
    "weak_cylinder",
    "noisy_rpm",
    "spark_retards",
    "wrong_direction",
)
"""What goes wrong: there feedback cannot keep everything, and some limits only warn."""

SUITES: Mapping[str, tuple[str, ...]] = {
    "standard": ("warm_idle", *LOADS, *DRIVING, *WEATHER, *FAULTS),
    "loads": ("warm_idle", *LOADS, *DRIVING),
    "weather": ("warm_idle", *WEATHER),
    "faults": ("warm_idle", *FAULTS),
}
"""Scenarios of each suite, in order."""

LOAD_NAMES = ("lamps", "fan", "screen", "steering", "aircon", "gearbox", "clutch")
REST_SHARE = 0.5
LEAST_LOAD_s, LEAST_REST_s = 12.0, 6.0


def suite_scenarios(suite: str) -> dict[str, Scenario]:
    """Read the scenarios of a suite.

    Parameters
    ----------
    suite : str
        One of ``SUITES``.

    Returns
    -------
    dict
        Name of the file to scenario, each watched for hunting after its loads too.

    Raises
    ------
    InputError
        If there is no such suite.
    """
    if suite not in SUITES:
        message = f"there is no such suite ({suite}), allowed: {', '.join(SUITES)}"
        raise one_problem("command line", 1, "suite", message)
    return {key: watched_after_loads(load_scenario(key)) for key in SUITES[suite]}


def watched_after_loads(scenario: Scenario) -> Scenario:
    """Measure hunting and error in the second half of each longer load window as well.

    Parameters
    ----------
    scenario : Scenario
        As its file says.

    Returns
    -------
    Scenario
        With a hunting window for each load window of 12 s and more: a load must be carried, and
        the loop must be quiet under it.
    """
    more = [
        {
            "what": "hunting",
            "from_s": one.to_s - REST_SHARE * (one.to_s - one.from_s),
            "to_s": one.to_s,
        }
        for one in scenario.measure
        if one.what == "load" and one.to_s - one.from_s >= max(LEAST_LOAD_s, 2.0 * LEAST_REST_s)
    ]
    windows = [window.model_dump() for window in scenario.measure]
    return Scenario.model_validate(scenario.model_dump() | {"measure": [*windows, *more]})


def is_fitted(car: Car, scenario: Scenario) -> bool:
    """Whether a car has what a scenario switches.

    Parameters
    ----------
    car : Car
        Its ``[loads]`` say what is fitted.
    scenario : Scenario
        The scenario.

    Returns
    -------
    bool
        False only where everything that happens is a load the car has not got.
    """
    if not scenario.event:
        return True
    return any(
        event.set not in LOAD_NAMES or _amount(car, event.set) > 0.0 for event in scenario.event
    )


def _amount(car: Car, load: str) -> float:
    electric = load in ("lamps", "fan", "screen")
    return float(getattr(car.loads, f"{load}_W" if electric else f"{load}_Nm"))
