"""The commands give one answer: a run of simulate, and what diagnose says of its log."""

from __future__ import annotations

import numpy as np

from sim import Car, Scenario, simulate, with_values
from tests.idle_records import log_of
from tests.random_idle_cars import random_car
from tuning.diagnosis import diagnose
from tuning.measures import DOES_NOT_HUNT, HUNTS, measure, run_answer

CARS = 6
"""Random cars here; the first fourteen were compared by hand on 2026-11-28."""
COLUMNS = ("rpm", "map_kPa", "coolant_degC", "valve_steps", "target_rpm")
SCENARIO = Scenario.model_validate(
    {"name": "idle", "duration_s": 75.0, "measure": [{"what": "hunting", "from_s": 15.0, "to_s": 75.0}]}
)


def answers(car: Car, seed: int) -> tuple[str, bool | None]:
    """What simulate says of one run, and diagnose of its log."""
    run = simulate(car, SCENARIO, seed)
    held = simulate(with_values(car, {"feedback": {"law": "none"}}), SCENARIO, seed)
    floor_rpm = measure(held, SCENARIO.measure).hunting_rpm
    columns = {name: run.resampled(name, 0.05) for name in COLUMNS}
    times = (np.arange(columns["rpm"].size) + 1.0) * 0.05
    log = log_of({"time_s": times, **columns})
    return run_answer(measure(run, SCENARIO.measure), floor_rpm), diagnose(log).hunting


def test_simulate_and_diagnose_never_contradict_each_other() -> None:
    rng = np.random.default_rng(77)
    for seed in range(1, CARS + 1):
        told, found = answers(random_car(rng), seed)
        assert not (told == HUNTS and found is False), seed
        assert not (told == DOES_NOT_HUNT and found is True), seed
