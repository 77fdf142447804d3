"""Curves proposed from the model: they start the demo cars, and nothing is applied."""

from __future__ import annotations

import json
from itertools import pairwise

import pytest

from sim import equilibrium, load_car
from tuning.base_model import STARTS_degC, base_from_model, with_curves


@pytest.mark.parametrize("name", ["trials", "six", "twin"])
def test_no_start_fails_with_the_proposed_curves(name: str) -> None:
    car = load_car(name)
    before = car.model_dump_json()
    proposal = base_from_model(car)
    assert [one.coolant_degC for one in proposal.proposed] == list(STARTS_degC)
    assert all(one.runs for one in proposal.proposed)
    assert car.model_dump_json() == before
    for curve in proposal.curves().values():
        assert all(here[1] <= last[1] for last, here in pairwise(curve))
        assert max(value for _, value in curve) <= car.valve.open_limit_steps
    assert with_curves(car, proposal.curves()).curves != car.curves
    json.dumps(proposal.to_dict(), allow_nan=False)
    assert "Nothing was changed" in proposal.lines()[0]


def test_the_proposed_base_holds_the_target_where_the_valve_can() -> None:
    car = load_car("trials")
    for point in base_from_model(car).points:
        settled = equilibrium(car, point.base_steps, point.coolant_degC)["rpm"]
        if point.reached:
            # Whole steps, and some more for oil that is colder than the coolant while warming.
            assert -40.0 < settled - point.target_rpm < 90.0
            assert point.cranking_steps > point.base_steps
        else:
            assert point.base_steps == car.valve.open_limit_steps
            assert settled < point.target_rpm


def test_the_same_seed_gives_the_same_proposal() -> None:
    assert base_from_model(load_car("twin"), seed=5) == base_from_model(load_car("twin"), seed=5)
