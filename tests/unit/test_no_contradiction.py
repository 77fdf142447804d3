"""What check, base, simulate, explain, stress and the sheet say of one car goes together."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest

from sim import load_scenario, simulate
from tests.proposals import proposal_for
from tests.said import said
from tests.typical_cars import CARS, TYPICAL, car_of
from tuning import base_from_model, check, explain, measure, stress
from tuning.checks import Spot, base_error_steps, base_spots
from tuning.checks.lines import CheckLine
from tuning.measures import DOES_NOT_HUNT, HUNTS
from tuning.open_loop import BaseProposal
from tuning.starts import WATCHED_s, start_story
from tuning.stress_tests import stressing
from workbench.output.pdf_pages import PdfPages
from workbench.sheet.making import make_sheet
from workbench.sheet.writing import Sheet, sheet_bytes
from workbench.words.wording import in_words


@cache
def spots_of(name: str) -> list[Spot]:
    """Its base curve in the model."""
    return base_spots(car_of(name))


@cache
def lines_of(name: str) -> tuple[CheckLine, ...]:
    """What check says of it."""
    return check(car_of(name)).lines


@pytest.mark.parametrize("name", CARS)
def test_a_typical_car_fails_no_check_and_hears_little_of_its_own_curve(name: str) -> None:
    lines = said(lines_of(name))
    assert [one.name for one in lines if one.verdict == "fail"] == []
    curve = [one for one in lines if one.name.startswith(("base curve at", "room to"))]
    assert sum(one.verdict != "pass" for one in curve) <= 2, [
        (one.name, one.value) for one in curve if one.verdict != "pass"
    ]


@cache
def sheet_of(name: str) -> Sheet:
    """Its sheet."""
    return make_sheet(car_of(name))


@pytest.mark.parametrize("name", CARS)
def test_sheet_and_check_say_the_same_of_the_base_curve_and_of_a_step(name: str) -> None:
    spots = spots_of(name)
    sheet = sheet_of(name)
    for spot, row in zip(spots, sheet.curves, strict=True):
        assert row.rpm_per_step == spot.rpm_per_step
        if row.advice_steps:
            assert np.sign(row.advice_steps) == np.sign(base_error_steps(spot))
    assert len(re.findall(rb"/Type\s*/Page[^s]", sheet_bytes(sheet, PdfPages))) == 2
    looked_at = {one.replace(" (FAILS)", "", 1) for one in sheet.to_look_at}
    assert looked_at == {f"{one.name}: {one.value}" for one in said(lines_of(name)) if one.verdict != "pass"}


@pytest.mark.parametrize("name", CARS)
def test_where_check_finds_the_warm_base_right_the_engine_idles_there(name: str) -> None:
    car = car_of(name)
    warm = spots_of(name)[-1]
    assert abs(warm.settled_rpm - warm.target_rpm) < 60.0
    held = car.model_copy(update={"feedback": car.feedback.model_copy(update={"law": "none"})})
    trace = simulate(held, load_scenario("warm_idle"), seed=3)
    late = trace["speed_rpm"][trace.time_s > 10.0]
    assert float(late.mean()) == pytest.approx(warm.settled_rpm, abs=0.04 * warm.settled_rpm)


@pytest.mark.parametrize("name", CARS)
def test_stress_does_not_fail_an_idle_that_explain_finds_calm(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stressing, "suite_scenarios", lambda _: {"warm_idle": load_scenario("warm_idle")})
    car = car_of(name)
    found = explain(car, quick=True)
    calm = not found.hunts
    warm = next(case for case in stress(car).cases if case.key == "warm_idle")
    swing = next(one for one in warm.checks if one.measure == "hunting_rpm")
    assert warm.hunting is not None
    assert f"it {in_words(warm.hunting.text)}" in in_words(warm.line)
    if calm:
        assert swing.verdict != "fail"
        assert warm.hunting.answer != "hunts"
    if warm.hunting.answer == "hunts":
        assert warm.verdict != "pass"
    told = {
        warm.hunting.answer,
        found.ablation.chance.answer,
        sheet_of(name).expected.prediction.hunting.answer,
    }
    assert not {HUNTS, DOES_NOT_HUNT} <= told, "one says that it hunts, another that it does not"
    idle = measure(simulate(car, load_scenario("warm_idle"), seed=1)).hunting_rpm
    assert not (calm and idle > 2.0 * swing.fail), "simulate swings where explain finds it calm"


@cache
def base_of(name: str) -> BaseProposal:
    """Its proposed curves."""
    return base_from_model(car_of(name)) if name in TYPICAL else proposal_for(name)


@pytest.mark.parametrize("name", CARS)
def test_base_and_check_advise_the_same_when_warm(name: str) -> None:
    warm = spots_of(name)[-1]
    proposed = base_of(name).points[-1]
    assert proposed.base_steps == pytest.approx(warm.needed_steps, abs=1.1)
    assert proposed.after_steps >= 2.0


@pytest.mark.parametrize("name", CARS)
def test_base_and_check_advise_the_same_when_cold(name: str) -> None:
    found = base_of(name)
    places = [one.coolant_degC for one in found.points]
    slower = found.fade_s > found.fade_now_s
    lines = {in_words(one.name): one for one in lines_of(name)}
    for spot, row in zip(spots_of(name), sheet_of(name).curves, strict=True):
        line = lines[f"base curve at {spot.coolant_degC:.0f} °C"]
        more = float(
            np.interp(spot.coolant_degC, places, [p.base_steps - p.base_now_steps for p in found.points])
        )
        lacks = base_error_steps(spot)
        if line.verdict != "pass":
            assert ("decays over up to 30 s" in in_words(line.remedy)) == spot.oil_behind
            assert ("or a longer decay" in row.advice) == (spot.oil_behind and row.advice_steps != 0.0)
        if line.verdict != "pass" and not (spot.oil_behind and slower):
            assert np.sign(more) == np.sign(lacks), (spot, more)
        if line.verdict == "pass" and not slower:
            assert abs(more) * spot.rpm_per_step <= 100.0 + spot.rpm_per_step, (spot, more)


@pytest.mark.parametrize("name", CARS)
def test_a_cold_start_goes_in_simulate_as_base_and_check_say(name: str) -> None:
    car, found = car_of(name), base_of(name)
    story = start_story(simulate(car, load_scenario("cold_start_0"), seed=0), car)
    own = next(one for one in found.now if one.coolant_degC == 0.0)
    assert (story.run_s < WATCHED_s) == own.runs
    assert story.flare_rpm == pytest.approx(own.flare_rpm, abs=250.0)
    spots = spots_of(name)
    for error in story.base_errors:
        middle = 0.5 * (error.from_degC + error.to_degC)
        near = min(spots, key=lambda spot: abs(spot.coolant_degC - middle))
        off_rpm = error.trim_steps * near.rpm_per_step
        said_off_rpm = near.target_rpm - near.settled_rpm
        assert not (abs(off_rpm) > 100.0 and off_rpm * said_off_rpm < 0.0 and abs(said_off_rpm) > 50.0)


@pytest.mark.parametrize("name", CARS)
def test_check_sheet_and_base_say_the_same_of_the_wait_after_a_start(name: str) -> None:
    car = car_of(name)
    (line,) = [
        one
        for one in lines_of(name)
        if in_words(one.name) == "whether feedback waits out the after-start air"
    ]
    (row,) = [one for one in sheet_of(name).homing if one[0] == "after-start decay"]
    short = car.feedback.acts and car.feedback.enable_delay_s < car.curves.after_start_fade_s
    assert (line.verdict == "warn") == short == ("best as long as the fade" in row[2])
