"""What a search may try: feedback never lets go of a valve that its own trim has opened."""

from __future__ import annotations

import numpy as np
import pytest

from sim import load_car, with_values
from sim.linearise import settled_rpm
from tuning.checks import check
from tuning.loop import WARM_degC, base_position
from tuning.search.compared import known_settings, window_and_trim
from tuning.search.space import make_space

LAWS = ("pi", "pid", "nudge")


def lifted_rpm(name: str, steps: float) -> float:
    """Speed that so many steps above the warm base curve add."""
    car = load_car(name)
    base = base_position(car)
    here, there = settled_rpm(car, [base, base + steps], WARM_degC)
    return float(there - here)


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
@pytest.mark.parametrize(
    ("keep", "high_steps"),
    [
        ((), 9.0),
        (("enable_above_target_rpm",), 9.0),
        (("trim_limit_steps",), 9.0),
        (("trim_limit_steps",), 16.0),
    ],
)
def test_the_idle_window_holds_what_trim_may_open(
    name: str, keep: tuple[str, ...], high_steps: float
) -> None:
    wide = {"enable_above_target_rpm": 250.0, "trim_limit_steps": (-8.0, high_steps)}
    car = with_values(load_car(name), {"feedback": wide})
    space, rng = make_space(car, LAWS, keep), np.random.default_rng(7)
    for law in LAWS:
        for places in rng.random((60, len(space.keys(law)))):
            one = space.from_unit(law, places)
            adds_rpm = lifted_rpm(name, one.trim_limit_steps[1])
            assert adds_rpm <= one.enable_above_target_rpm + 0.5, (law, one)
            for key in keep:
                assert getattr(one, key) == getattr(car.feedback, key)


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
def test_what_may_be_proposed_beside_what_is_found_keeps_it(name: str) -> None:
    known = known_settings(make_space(load_car(name), ("pi",)), 12.0)
    for which in ("rule", "plain"):
        one = known[which]
        assert lifted_rpm(name, one.trim_limit_steps[1]) <= one.enable_above_target_rpm + 0.5, which
    assert known["present"] == load_car(name).feedback, "the owner's own stay as they are"


@pytest.mark.parametrize("name", ["trials", "twin", "six"])
def test_the_rule_keeps_it_too_and_check_agrees(name: str) -> None:
    car = load_car(name)
    ruled = with_values(car, {"feedback": window_and_trim(make_space(car, ("pi",)))})

    def warned(one: object) -> list[str]:
        return [line.name.code for line in check(one).lines if line.verdict != "pass"]  # type: ignore[arg-type]

    narrow = with_values(ruled, {"feedback": {"enable_above_target_rpm": 100.0}})
    assert "checks.lets_go" not in warned(ruled)
    assert "checks.lets_go" in warned(narrow)
