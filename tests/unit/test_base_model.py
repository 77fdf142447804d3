"""Curves proposed from the model: they start the demo cars, say what they miss, change nothing."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from sim import Car, load_car, with_values
from sim.linearise import settled_rpm
from tests.proposals import proposal_for
from tests.said import said
from tuning import check
from tuning.open_loop.from_model import BaseProposal, base_from_model
from tuning.open_loop.limits import missed_targets, worse_than_now
from tuning.open_loop.search import StartTargets
from tuning.starts import USUAL_FADE_s
from tuning.starts.trials import StartResult, STARTS_degC
from workbench.words.wording import in_words

CARS = ["trials", "six", "twin"]


def missing(proposal: BaseProposal, starts: tuple[StartResult, ...]) -> float:
    """How much of their targets starts miss, all together."""
    ratios = (proposal.targets.ratios(one).values() for one in starts)
    return sum(max(0.0, ratio - 1.0) for one in ratios for ratio in one)


@pytest.mark.parametrize("name", CARS)
def test_no_start_fails_with_the_proposed_curves(name: str) -> None:
    car = load_car(name)
    before = car.model_dump_json()
    proposal = proposal_for(name)
    assert [one.coolant_degC for one in proposal.proposed] == list(STARTS_degC)
    assert all(one.runs for one in proposal.proposed)
    assert car.model_dump_json() == before
    limit = car.valve.open_limit_steps
    fade_s = proposal.curves()["after_start_fade_s"]
    assert fade_s in (car.curves.after_start_fade_s, USUAL_FADE_s[1])
    for curve in (value for value in proposal.curves().values() if value != fade_s):
        assert all(here[1] <= last[1] for last, here in pairwise(curve))
        assert max(value for _, value in curve) <= limit
    for point in proposal.points:
        assert point.cranking_steps > point.base_steps or point.cranking_steps == limit
    assert with_values(car, {"curves": proposal.curves()}).curves != car.curves
    json.dumps(proposal.to_dict(), allow_nan=False)
    assert "Nothing was changed" in said(proposal.lines()[0])


@pytest.mark.parametrize("name", CARS)
def test_every_start_meets_its_targets_or_says_which_not_and_why(name: str) -> None:
    proposal = proposal_for(name)
    aims, told = proposal.targets, "\n".join(said(proposal.lines()))
    missed = {(one.coolant_degC, one.target): one for one in proposal.missed}
    for one in proposal.proposed:
        for target, ratio in aims.ratios(one).items():
            assert ((one.coolant_degC, target) in missed) == (ratio > 1.0)
    for miss in missed.values():
        assert miss.why
        assert said(miss.told()) in told
    short, was = (missing(proposal, row) for row in (proposal.proposed, proposal.now))
    # The twin's oil lags its head for minutes, which air that is gone within 30 s cannot make up for.
    assert short < (0.65 if name == "twin" else 0.5) * was


@pytest.mark.parametrize("name", ["trials", "six"])
def test_more_starts_meet_all_targets_than_with_the_owners_curves(name: str) -> None:
    # When cold, a move of four steps is worth some 120 rpm on these valves, more than the band.
    proposal = proposal_for(name)
    assert proposal.met >= 3
    assert proposal.met > sum(proposal.targets.met(one) for one in proposal.now)


@pytest.mark.parametrize("name", CARS)
def test_what_a_minimum_move_of_one_step_would_do_is_told_where_targets_are_missed(name: str) -> None:
    proposal = proposal_for(name)
    assert (proposal.finer is None) == (not proposal.missed)
    told = [line for line in said(proposal.verdict()) if "minimum move of 1 step" in line]
    assert len(told) == bool(proposal.missed)
    # On the twin a single step is worth 45 rpm when cold. Air that decays over two minutes would meet 7, 5
    # and 1, but after-start air is to decay within 30 s (common practice, no source).
    least = {"trials": 4, "six": 5, "twin": 0}[name]
    assert proposal.finer is None or proposal.finer >= least
    assert proposal.finer is None or f"at {proposal.finer} of 7 temperatures" in told[0]


@pytest.mark.parametrize("name", ["trials", "six"])
def test_check_finds_no_new_fault_with_base_in_curves_that_are_proposed(name: str) -> None:
    owner = load_car(name)
    found = proposal_for(name)
    waits = {"enable_delay_s": found.fade_s}  # as base tells beside its curves
    proposed = with_values(owner, {"curves": found.curves(), "feedback": waits})

    def faults(one: Car) -> set[str]:
        return {
            in_words(line.name)
            for line in check(one).lines
            if line.verdict != "pass" and not in_words(line.name).startswith("room to close at 90")
        }

    assert faults(proposed) <= faults(owner)


@pytest.mark.parametrize("name", CARS)
def test_nothing_is_worse_than_the_owners_own_without_saying_so(name: str) -> None:
    proposal = proposal_for(name)
    aims, told = proposal.targets, "\n".join(said(proposal.lines()))
    for old, new in zip(proposal.now, proposal.proposed, strict=True):
        before, after = aims.ratios(old), aims.ratios(new)
        worse = [target for target in after if after[target] > before[target] + 0.05]
        lines = [one for one in said(proposal.worse) if f"at {new.coolant_degC:.0f} °C" in one]
        assert bool(worse) == bool(lines)
        assert all(f"{target} " in lines[0] for target in worse)
        assert all(line in told for line in lines)


def test_the_warm_base_holds_the_target() -> None:
    car = load_car("trials")
    warm = next(one for one in proposal_for("trials").points if one.coolant_degC == 90.0)
    held = warm.base_steps
    below, above = settled_rpm(car, [held - 1.0, held + 1.0])
    assert below < warm.target_rpm < above


@pytest.mark.parametrize(
    ("valve", "fault"),
    [({"wired_reversed": True}, "direction"), ({"homing_steps": 40}, "whether homing reaches the seat")],
)
def test_a_valve_that_is_not_where_it_is_counted_comes_first(valve: dict[str, object], fault: str) -> None:
    proposal = base_from_model(with_values(load_car("trials"), {"valve": valve}))
    assert fault in said(proposal.valve_faults)
    assert "mend the valve first" in said(proposal.lines()[0])
    assert fault in said(proposal.lines()[0])
    assert proposal.finer is None
    assert proposal_for("trials").valve_faults == ()


GOOD = StartResult(0.0, 1000.0, True, 2.0, 300.0, 950.0, 10.0, 60.0)


def starts(**changes: object) -> list[StartResult]:
    """The same start at every temperature, with something changed at the coldest."""
    row = [replace(GOOD, coolant_degC=degC) for degC in STARTS_degC]
    return [replace(row[0], **changes), *row[1:]]  # type: ignore[arg-type] # any field


def test_a_missed_target_is_told_with_what_limits_it() -> None:
    aims, need = StartTargets(), np.array([80.0, 60.0, 45.0, 40.0, 35.0, 30.0, 25.0])
    dips = starts(lowest_rpm=850.0)
    fine = [20.0] * len(STARTS_degC)
    (one,) = said(missed_targets(dips, [dips, dips], aims, need, 70.0, fine))
    assert (one.coolant_degC, one.target, one.reached) == (-20.0, "dip", "150 rpm")
    assert "the best of 2 curves tried came to 150 rpm" in ", ".join(one.why)
    assert "wants 80 steps, the open limit is 70" in ", ".join(one.why)
    assert "falls by 20 steps" in ", ".join(one.why)
    (traded,) = said(missed_targets(dips, [dips, starts(flare_rpm=700.0)], aims, need * 0.5, 70.0, fine))
    assert "curves that meet it miss flare instead (700 rpm)" in ", ".join(traded.why)
    (coarse,) = said(missed_targets(dips, [dips], aims, need * 0.5, 70.0, [90.0, *fine[1:]]))
    assert "up to 90 rpm above its curve" in ", ".join(coarse.why)
    (hair,) = said(missed_targets(starts(lowest_rpm=879.7), [dips], aims, need * 0.5, 70.0, fine))
    assert (hair.reached, hair.wanted) == ("121 rpm", said(aims.wanted("dip")))
    (fails,) = said(missed_targets(starts(runs=False), [dips], aims, need * 0.5, 70.0, fine))
    assert fails.target == "running"
    assert missed_targets(starts(), [starts()], aims, need, 70.0, fine) == ()


def test_what_gets_worse_is_told() -> None:
    aims = StartTargets()
    (line,) = said(worse_than_now(starts(), starts(lowest_rpm=850.0), aims))
    assert "at -20 °C" in line
    assert "dip 150 rpm instead of 50 rpm (beyond the target)" in line
    (line,) = said(worse_than_now(starts(), starts(runs=False), aims))
    assert "does not run" in line
    assert worse_than_now(starts(flare_rpm=900.0), starts(), aims) == ()


def test_the_same_seed_gives_the_same_proposal() -> None:
    shares: list[float] = []
    assert base_from_model(load_car("trials"), on_progress=shares.append) == proposal_for("trials")
    assert shares == sorted(shares)
    assert len(shares) > 10
    assert 0.0 < shares[0] < shares[-1] <= 1.0
