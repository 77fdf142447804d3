"""What somebody acts on: cautions first, a counted valve, base before loop, honest words."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

from sim import car_to_toml, load_car, load_scenario, simulate, with_values
from tests.command.running import run
from tests.typical_cars import car_of
from tuning import check, expect, stress, to_entry
from tuning.ensemble import Samples
from tuning.notes import Note
from tuning.open_loop.search import StartTargets
from tuning.stress_tests import Case
from tuning.stress_tests import Check as Limited
from workbench.sheet.making import make_sheet
from workbench.sheet.settings import refuse_lost_entries, worked_line
from workbench.sheet.trial import stop_signs
from workbench.words.facts import FACTS as FACTS_ASKED
from workbench.words.tables import number
from workbench.words.wording import in_words

FACTS = ("--displacement-cm3", "1300", "--cylinders", "4", "--target-rpm", "880")
FORM_ASKED = "unit=percent_of_travel, time=per_update, per_rpm=1, sign=-1"
CAUTION = "carbon monoxide has no smell"


def test_a_valve_whose_travel_is_a_guess_is_told_so_everywhere(tmp_path: Path) -> None:
    made = run("new", "mine.toml", *FACTS, folder=tmp_path)
    assert made.status == 0
    assert "travel is a guess" in made.out
    assert "Then set travel_steps, homing_steps and travel_counted = true" in made.out
    checked = run("check", "mine.toml", folder=tmp_path)
    assert checked.status == 1
    assert "Measure first" in checked.out
    assert "GUESSED" in checked.out
    counted = run("new", "own.toml", *FACTS, "--travel-steps", "200", folder=tmp_path)
    assert "travel is a guess" not in counted.out
    told = run("check", "own.toml", "--full", "--json", folder=tmp_path)
    assert told.status == 0
    assert told.result["passed"]


def test_a_sheet_says_measure_first_and_puts_the_loop_last(tmp_path: Path) -> None:
    run("new", "mine.toml", *FACTS, folder=tmp_path)
    written = run("sheet", "mine.toml", "--out", "s.html", "--present", "trials", folder=tmp_path)
    assert CAUTION in written.out
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    assert page.index("MEASURE FIRST") < page.index("<h2>Settings</h2>")
    assert page.index(CAUTION) < page.index("<h2>Settings</h2>")
    assert "GUESSED" in page
    assert "homing reaches the seat (FAILS)" in page
    steps = re.findall(r"<td><b>(\d+)\. ([^<]*)\.</b> Enter: <b>[^<]+</b>.*?</tr>", page)
    titles = [title for _, title in steps]
    assert [int(number) for number, _ in steps] == list(range(1, len(steps) + 1))
    assert [one.split(",")[0] for one in titles] == [
        "Engine off", "Direction", "Base curve", "One cold morning", "Narrow trim limits",
        "Half way", "Full trim limits", "Blips", "Cold start with feedback",
    ]  # fmt: skip
    trial = page[page.index("base first, loop last</h2>") : page.index("<h2>What to watch")]
    assert re.findall(r"<th>([^<]*)</th>", trial) == ["enter and do", "go on if", "entered", "seen"]
    for row in re.findall(r"<tr><td>.*?</tr>", trial):
        assert row.count('<td class="box">\u2610</td>') == 2, "a box to tick for entered and for seen"
    assert "**" not in page
    assert "Loads fitted: lamps, fan. Feed-forward: none." in page
    assert "never turn the key towards lock while it moves" in page
    moved = re.search(r"must open the valve by ([\d.]+) steps", page)
    assert moved
    feedback = load_car(str(tmp_path / "mine.toml")).feedback
    wanted = feedback.gain_steps_per_100rpm + feedback.integral_steps_per_100rpm_s
    assert float(moved[1]) == pytest.approx(wanted, abs=0.06)


def test_a_base_curve_nobody_gave_lies_within_the_travel_that_was_counted(tmp_path: Path) -> None:
    """Half the travel of a fine valve, so half the steps; what is told is what the file holds."""
    made = run("new", "short.toml", *FACTS, "--travel-steps", "100", folder=tmp_path)
    assert (
        "so taken as usual: Base curve it idles on now [degC:steps]: 0:60,30:38,50:25,65:19,80:15" in made.out
    )
    car = load_car(str(tmp_path / "short.toml"))
    assert car.curves.base_steps[0] == (0.0, 60.0)
    checked = run("check", "short.toml", folder=tmp_path)
    assert checked.status == 0, checked.out
    assert "whether curves stay within the open limit" not in checked.out


def test_a_minimum_move_in_percent_is_entered_as_what_it_is(tmp_path: Path) -> None:
    run(
        "new", "p.toml", *FACTS, "--travel-steps", "200", "--feedback", "gain=4,integral=3,min_move=3,"
        "trim_low=-15,trim_high=15", "--entry-form", "unit=percent_of_travel", folder=tmp_path,
    )  # fmt: skip
    entries = to_entry(load_car(str(tmp_path / "p.toml")))
    by_key = {f"{one.key} {one.part}".strip(): one.text for one in entries}
    assert by_key["min_move_steps"] == "1.5"
    assert (by_key["trim_limit_steps low"], by_key["trim_limit_steps high"]) == ("-7.5", "7.5")


@pytest.mark.parametrize(("top_steps", "told"), [(70.0, "raise it if the valve has travel left"),
                                                (30.0, "raise the high trim limit")])  # fmt: skip
def test_a_higher_trim_limit_is_advised_only_where_the_valve_can_still_open(
    top_steps: float, told: str, tmp_path: Path
) -> None:
    base = [(-10.0, top_steps), (30.0, 25.0), (90.0, 15.0)]
    limits = {"trim_limit_steps": [-10.0, 1.0]}
    car = with_values(load_car("trials"), {"curves": {"base_steps": base}, "feedback": limits})
    (tmp_path / "c.toml").write_text(car_to_toml(car))
    lines = run("check", "c.toml", "--full", "--json", folder=tmp_path).result["lines"]
    cold = next(one for one in lines if one["name"].startswith("room to open at -10"))
    assert cold["verdict"] == "fail"
    assert told in cold["remedy"]
    assert ("raise the high trim limit" in cold["remedy"]) == (top_steps < 70.0)


def test_the_stop_line_forbids_no_start_that_stress_lets_pass() -> None:
    car = load_car("trials")
    (hot,) = (case for case in stress(car, suite="weather").cases if case.key == "hot_restart")
    (flare,) = (one for one in hot.checks if one.measure == "start_flare_rpm")
    assert (flare.warn, flare.fail) == (400.0, 800.0)
    assert StartTargets().flare_rpm < flare.fail
    first = stop_signs(car, expect(car))[0]
    assert "flare up to 400 rpm above it is normal; above 800 rpm, or not falling within 3 s" in first


@pytest.mark.parametrize("form", [
    {"output_unit": "percent_of_travel"}, {"output_unit": "duty_percent", "sign": -1},
    {"gain_time": "per_update"}, {"gain_per_rpm": 1.0, "sign": -1, "gain_time": "per_update"},
])  # fmt: skip
def test_the_worked_line_in_the_controllers_own_numbers_comes_to_the_same_move(
    form: dict[str, object],
) -> None:
    fine = {"gain_steps_per_100rpm": 1e-4, "integral_steps_per_100rpm_s": 1e-4}
    car = with_values(load_car("trials"), {"entry_form": {**form, "resolution": fine}})
    told = worked_line(car)
    steps = re.search(r"open the valve by ([\d.]+) steps", told)
    typed = re.search(r"As typed: (.*) = (-?[\d.]+) (%|steps)", told)
    assert steps
    assert typed
    terms = [re.findall(r"-?[\d.]+", one) for one in typed[1].split(" + ")]
    total = sum(math.prod(map(float, one)) for one in terms)
    assert total == pytest.approx(float(typed[2]), abs=0.01)
    travel_steps = car.valve.travel_steps / 100.0 if typed[3] == "%" else 1.0
    assert total * car.entry_form.sign * travel_steps == pytest.approx(float(steps[1]), abs=0.06)
    assert ("counts the other way" in told) == (car.entry_form.sign < 0)
    assert "As typed" not in worked_line(load_car("trials"))
    slower = with_values(car, {"feedback": {"update_period_ms": 110.0}})
    assert ("x 9.091 updates" in worked_line(slower)) == (form.get("gain_time") == "per_update")


def test_a_number_that_rounds_to_nothing_is_refused(tmp_path: Path) -> None:
    coarse = with_values(load_car("trials"), {
        "feedback": {"gain_steps_per_100rpm": 0.02},
    })  # fmt: skip
    (tmp_path / "coarse.toml").write_text(car_to_toml(coarse))
    refused = run("sheet", "coarse.toml", "--out", "s.html", folder=tmp_path)
    assert refused.status == 2
    assert "gain_steps_per_100rpm" in refused.err
    assert "rounds to 0.0 steps per 100 rpm (0.02), allowed:" in refused.err
    assert not (tmp_path / "s.html").exists()


@pytest.mark.parametrize(
    ("words", "first"),
    [
        (("check", "twin"), "WARN"),
        (("check", "twin", "--full"), "direction"),
        (("fit", "trials", "--guide"), "1. Warm the engine fully"),
        (("new", "mine.toml", *FACTS), "To count the travel"),
    ],
)
def test_cautions_come_before_the_first_instruction_and_once(
    words: tuple[str, ...], first: str, tmp_path: Path
) -> None:
    told = run(*words, folder=tmp_path).out
    assert told.count(CAUTION) == 1
    assert told.index(CAUTION) < told.index(first)


@pytest.mark.parametrize(
    ("option", "value", "key", "allowed"),
    [
        ("--loads", "lamp", "lamp", "lamps, fan"),
        ("--feedback", "gian=2", "gian", "gain, integral"),
        ("--feedback", "gain=two", "gain", "a number"),
        ("--entry-form", "sgn=-1", "sgn", "unit, time"),
        ("--travel-steps", "3", "travel_steps", "5 to 400"),
    ],
)
def test_a_fact_that_is_none_is_refused_with_what_is_allowed(
    option: str, value: str, key: str, allowed: str, tmp_path: Path
) -> None:
    refused = run("new", "x.toml", *FACTS, option, value, folder=tmp_path)
    assert refused.status == 2
    assert f"{option}:1: {key}: " in refused.err
    assert allowed in refused.err


def test_a_base_curve_beyond_the_counted_travel_is_refused(tmp_path: Path) -> None:
    facts = [*FACTS, "--travel-steps", "110", "--base", "0:125,80:30"]
    refused = run("new", "x.toml", *facts, folder=tmp_path)
    assert refused.status == 2
    assert "--base:1: base: beyond the valve's travel (125 steps), allowed: up to 110" in refused.err
    assert not (tmp_path / "x.toml").exists()
    facts[-1] = "0:105,80:30"
    assert run("new", "x.toml", *facts, folder=tmp_path).status == 0


def test_present_settings_loads_and_entry_form_reach_the_file(tmp_path: Path) -> None:
    made = run(
        "new", "x.toml", *FACTS, "--travel-steps", "180", "--loads", "lamps:140, automatic",
        "--feedback", "gain=2.5, deadband=20, min_move=4, trim_low=-12, trim_high=18",
        "--entry-form", "unit=duty_percent, time=per_update, sign=-1", "--map-kPa", "34",
        "--rpm-on-10-steps", "60", folder=tmp_path,
    )  # fmt: skip
    assert made.status == 0, made.err
    car = load_car(str(tmp_path / "x.toml"))
    assert (car.loads.lamps_W, car.loads.gearbox_Nm, car.loads.fan_W) == (140.0, 22.0, 0.0)
    assert car.feedback.gain_steps_per_100rpm == 2.5
    assert car.feedback.trim_limit_steps == (-12.0, 18.0)
    assert (car.entry_form.output_unit, car.entry_form.sign) == ("duty_percent", -1)
    from sim.prepare import equilibrium

    warm_steps = car.curves.base_steps[-1][1]
    settled = equilibrium(car, warm_steps, 90.0)
    assert settled["map_kPa"] == pytest.approx(34.0, abs=1.0)
    assert equilibrium(car, warm_steps + 2.0, 90.0)["rpm"] - settled["rpm"] == pytest.approx(12.0, abs=3.0)


@pytest.mark.parametrize("form", [
    FORM_ASKED, "time=per_update", "unit=duty_percent",
    "per_rpm=1, finest=0.0001",
])  # fmt: skip
def test_settings_of_a_new_car_can_be_entered_in_the_form_asked_for(form: str, tmp_path: Path) -> None:
    assert FORM_ASKED in FACTS_ASKED["entry_form"].question
    run("new", "x.toml", *FACTS, "--travel-steps", "200", "--entry-form", form, folder=tmp_path)
    car = load_car(str(tmp_path / "x.toml"))
    refuse_lost_entries(car)
    for one in to_entry(car):
        if one.key in ("gain_steps_per_100rpm", "integral_steps_per_100rpm_s"):
            assert abs(one.entered) >= 5.0 * one.resolution, "two digits, or nearly"
            assert one.resolution == 0.0001 or "finest" not in form
            sign = -1.0 if "sign=-1" in form else 1.0
            assert one.entered * sign > 0.0


def test_what_is_not_fitted_is_not_reported(tmp_path: Path) -> None:
    told = run("simulate", "twin", "--scenario", "fan", folder=tmp_path)
    assert "not fitted to this car, so left out: fan" in told.out
    assert "after a load" not in told.out


def test_a_log_with_feedback_off_moves_no_base_curve(tmp_path: Path) -> None:
    """Above target with more steps than predicted is no trim to fold back."""
    base = {"base_steps": [(0.0, 52.0), (50.0, 28.0), (90.0, 18.0)]}
    car = with_values(load_car("trials"), {"curves": base, "feedback": {"law": "none"}})
    simulate(car, load_scenario("warm_idle"), seed=3).to_csv(tmp_path / "off.csv")
    told = run("compare", "trials", tmp_path / "off.csv").out
    assert "above target with the valve more open than predicted: no feedback does that" in told
    assert "the base curve by" not in told
    assert "halve both gains" not in told


def test_compare_raises_no_base_curve_for_a_load_that_was_on(tmp_path: Path) -> None:
    """A load whose column is not in the log holds the valve open as well."""
    lit = with_values(load_car("six"), {"electrics": {"base_W": 420.0}, "feedback": {"min_move_steps": 1}})
    simulate(lit, load_scenario("warm_idle"), seed=3).to_csv(tmp_path / "lit.csv")
    told = run("compare", "six", tmp_path / "lit.csv").out
    assert re.search(r"Raise the base curve by \d+ steps? at this temperature, if no load was on", told), told


@pytest.mark.parametrize(("gain", "wide"), [(30.0, True), (10.0, False)])
def test_compare_advises_no_deadband_that_nobody_would_drive_with(
    gain: float, wide: bool, tmp_path: Path
) -> None:
    held = {"gain_steps_per_100rpm": 1.0, "integral_steps_per_100rpm_s": 1.0, "min_move_steps": 1}
    car = with_values(load_car("six"), {"feedback": held})
    (tmp_path / "calm.toml").write_text(car_to_toml(car))
    driven = with_values(car, {"feedback": {"gain_steps_per_100rpm": gain, "min_move_steps": 3}})
    simulate(driven, load_scenario("warm_idle"), seed=3).to_csv(tmp_path / "try.csv")
    told = run("compare", "calm.toml", "try.csv", folder=tmp_path).out
    assert "halve both gains" in told
    found = re.search(r"widen the deadband to (\d+) rpm", told)
    assert (found is None) == wide, told
    assert found is None or int(found[1]) <= 50


def test_a_start_that_is_told_has_its_cautions_before_it(tmp_path: Path) -> None:
    told = run("simulate", "trials", "--scenario", "cold_start_0", folder=tmp_path).out
    assert told.count(CAUTION) == 1
    assert told.index(CAUTION) < told.index("than the base curve")
    assert CAUTION not in run("simulate", "trials", folder=tmp_path).out


def test_one_run_of_many_does_and_two_do() -> None:
    told = [in_words(Note("measures.may_hunt", hunting=n, runs=24, low_percent=0.0, high_percent=18.0))
            for n in (1, 2)]  # fmt: skip
    assert told[0].startswith("may hunt: 1 of 24 simulated runs does, a chance of 0 to 18")
    assert told[1].startswith("may hunt: 2 of 24 simulated runs do, a chance of")


def test_a_gain_of_500_and_a_point_where_no_engine_is_draw_a_remark(tmp_path: Path) -> None:
    car = with_values(load_car("trials"), {
        "feedback": {"gain_steps_per_100rpm": 500.0},
        "curves": {"base_steps": [(0.0, 47.0), (50.0, 22.0), (90.0, 12.0), (158.0, 11.0)]},
    })  # fmt: skip
    (tmp_path / "odd.toml").write_text(car_to_toml(car))
    told = run("check", "odd.toml", folder=tmp_path).out
    assert "gains suit the valve" in told
    assert "whether points lie where an engine can be" in told


@pytest.mark.parametrize("acts_rpm", [150.0, None])
def test_check_warns_of_feedback_that_lets_go_of_a_valve_it_has_opened(acts_rpm: float | None) -> None:
    """Out of gear with the trim wide open: above its limit feedback never closes, the engine stays fast."""
    gear = with_values(car_of("six 2.8"), {"feedback": {"enable_above_target_rpm": 150.0}})
    (found,) = (one for one in check(gear).lines if one.name.code == "checks.lets_go")
    assert found.verdict == "warn"
    advised = re.search(r"act up to (\d+) rpm above", in_words(found.remedy))
    assert advised
    if acts_rpm is None:
        acts_rpm = float(advised[1]) + 1.0
    car = with_values(gear, {"feedback": {"enable_above_target_rpm": acts_rpm}})
    (found,) = (one for one in check(car).lines if one.name.code == "checks.lets_go")
    trace = simulate(car, load_scenario("gear_engagement"), seed=1)
    late = float(trace["speed_rpm"][trace.time_s > 45.0].mean()) - 750.0
    assert (found.verdict == "warn") == (late > 100.0), late
    (row,) = (one for one in make_sheet(car).settings if one.key == "enable_above_target_rpm")
    assert ("may leave the engine fast" in row.reason) == (found.verdict == "warn")


def test_speeds_are_told_in_whole_rpm_and_without_an_exponent(tmp_path: Path) -> None:
    told = run("simulate", "trials", "--full", folder=tmp_path).out
    speeds = re.findall(r" (\S+)\s+rpm *$", told, re.MULTILINE)
    assert len(speeds) > 3
    assert all(re.fullmatch(r"-|-?\d+", one) for one in speeds), speeds
    assert [number(one, unit="rpm") for one in (-0.03, 1213.0)] == ["0", "1213"]
    flare = Limited("start_flare_rpm", Note("stress.start_flare"), "rpm", 1213.0, 400.0, 800.0, False, 0, 0)
    nothing = np.zeros(0)
    run_of = Samples(nothing, nothing, nothing, 900.0)
    case = Case("k", "cold start", "", "warn", None, flare, (flare,), True, "variation 1", run_of)
    assert "flare after a start 1210 rpm (allowed up to 400)" in in_words(case.line)


@pytest.mark.parametrize("command", ["", "tune", "stress"])
def test_help_has_the_words_of_the_trade_too(command: str, tmp_path: Path) -> None:
    told = " ".join(run(*command.split(), "--help", folder=tmp_path).out.split())
    assert "variations" in told
    assert "plausible" not in told


def test_the_version_is_told(tmp_path: Path) -> None:
    told = run("--version", folder=tmp_path)
    assert told.status == 0
    assert re.fullmatch(r"evenidle \d+\.\d+\.\d+\s*", told.out)
