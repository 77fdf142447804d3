"""Tuning the demonstration cars: better than all that stands beside, on cars never met."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from controllers import curve_at
from sim import load_car
from sim.errors import InputError
from tuning import stress, tune
from tuning.search.entry_form import as_entered
from tuning.search.space import SEARCHED_LAWS, make_space, rpm_per_step
from tuning.search.tuned import Tuning
from workbench.commands.tune import _tell as tell
from workbench.output.printing import Screen
from workbench.words.search import tune_notes

CARS = ("trials", "twin", "six")


@cache
def tuned(name: str) -> Tuning:
    return tune(load_car(name), budget="quick")


@pytest.mark.parametrize("name", CARS)
def test_the_settings_proposed_beat_all_that_stand_beside_them(name: str) -> None:
    found = tuned(name)
    rows = {one.name: one for one in found.compared}
    assert list(rows) == ["open_loop", "present", "rule", "plain", "found"]
    best = min(found.compared, key=lambda one: one.score.order)
    assert found.proposed == best.name == "found"
    assert found.settings == rows["found"].settings
    assert rows["found"].score.total < 0.85 * rows["present"].score.total
    assert rows["found"].score.total < rows["plain"].score.total
    assert rows["plain"].settings.deadband_rpm == 40.0


@pytest.mark.parametrize("name", CARS)
def test_the_set_by_rule_holds_the_engine_as_loads_go_and_is_seldom_at_a_limit(name: str) -> None:
    rule = next(one for one in tuned(name).compared if one.name == "rule")
    feedback = rule.settings
    # Trim that a load left behind, fully open, must not take the engine out of the window.
    space = make_space(load_car(name), ("pi",))
    assert feedback.enable_above_target_rpm >= rpm_per_step(space.car) * feedback.trim_limit_steps[1]
    least_rpm = space.opens_rpm[round(feedback.trim_limit_steps[1])]
    assert least_rpm <= feedback.enable_above_target_rpm < least_rpm + 10.0, "and no wider"
    assert rule.score.acceptance.failing["limited"] <= 0.1


@pytest.mark.parametrize("name", CARS)
def test_the_engine_hunts_less_than_before_and_stalls_on_no_car(name: str) -> None:
    found = tuned(name)
    before, after = found.now_score.measured, found.predicted_score.measured
    assert after["hunting"] < 0.5 * before["hunting"]
    assert after["stalls"] == 0.0
    assert found.predicted.stall_share == 0.0


def test_what_is_kept_stays_and_a_wish_takes_another_of_the_same_study(tmp_path: Path) -> None:
    car, kept = load_car("trials"), ("update_period_ms", "min_move_steps")

    def found(*, resume: bool, favour: tuple[str, ...]) -> Tuning:
        return tune(
            car, law="pi", budget="quick", storage=tmp_path / "study.journal", keep=kept, resume=resume,
            favour=favour,
        )  # fmt: skip

    first, wished = found(resume=False, favour=()), found(resume=True, favour=("wear:6",))
    assert first.settings.update_period_ms == car.feedback.update_period_ms
    assert first.settings.min_move_steps == car.feedback.min_move_steps
    assert not {one.name for one in first.reasons} & set(kept)
    assert wished.trials == first.trials
    rows = [{one.name: one for one in each.compared}["found"] for each in (first, wished)]
    assert rows[1].score.measured["moves"] <= rows[0].score.measured["moves"]


def test_a_setting_that_is_none_is_not_kept_but_refused() -> None:
    with pytest.raises(InputError, match="no such setting"):
        tune(load_car("trials"), keep=("gain",))


@pytest.mark.parametrize("name", CARS)
def test_lamps_stall_no_plausible_car(name: str) -> None:
    cases = {case.key: case for case in stress(tuned(name).car, suite="loads").cases}
    stalls = {key: check.value for key, case in cases.items() for check in case.checks
              if check.measure == "stalled"}  # fmt: skip
    assert stalls["lamps"] == 0.0
    assert stalls["everything_on"] == 0.0


@pytest.mark.parametrize("name", CARS)
def test_the_base_curve_stays_and_the_entry_form_holds_the_settings(name: str) -> None:
    car, found = load_car(name), tuned(name)
    assert found.car.curves == car.curves
    assert as_entered(car, found.settings) == found.settings
    assert found.car.feedback == found.settings


def test_the_gap_between_search_and_verdict_is_told() -> None:
    gap = tuned("trials").gap
    assert gap.verdict_rpm == tuned("trials").predicted_score.total
    assert gap.search_rpm != gap.verdict_rpm
    assert abs(gap.verdict_rpm / gap.search_rpm - 1.0) < 0.25


def test_a_law_that_a_controller_may_lack_is_told_with_what_to_do() -> None:
    found = tuned("trials")
    plain = replace(found, settings=found.settings.model_copy(update={"law": "pi"}))
    leading = replace(found, settings=found.settings.model_copy(update={"law": "pid"}))
    assert not any("--law" in note for note in tune_notes(plain))
    brief = tune_notes(leading, full=False)
    assert 1 <= len(brief) < len(tune_notes(leading)) - 3
    assert sum("--law pi." in note for note in brief) == 1, "what is to be minded stays"
    assert sum("law pid" in note and "--law pi." in note for note in tune_notes(leading)) == 1


def test_a_search_is_told_in_five_lines_and_its_tables_in_full(capsys: pytest.CaptureFixture[str]) -> None:
    found, told = tuned("trials"), []
    for full in (False, True):
        tell(Screen("tune", as_json=False, quiet=False), load_car("trials"), found, full)
        told.append(capsys.readouterr().out)
    brief = told[0].splitlines()
    minded = tune_notes(found, full=False)  # what is to be minded is never left out
    assert len(brief) == 3 + len(minded) <= 5
    assert "with reasons: --full" in told[0]
    present = next(one for one in found.compared if one.name == "present").score
    assert f"present {present.total:.0f} ({100.0 * present.acceptance.told_share:.0f} %)" in told[0]
    assert brief[0].startswith("Changed: ")
    assert f"; minimum move 4 -> {found.settings.min_move_steps} steps; " in brief[0]
    assert "_" not in brief[0]  # names of the sheet, not keys of the car file
    assert (
        sum(one.startswith("Scores, lower is better (variations failing): no feedback ") for one in brief)
        == 1
    )
    assert "Side by side" not in told[0]
    assert [told[1].count(one) for one in ("Side by side", "What it brings", "Settings changed")] == [1, 1, 1]
    assert brief[-1] in told[1]


def test_one_core_and_two_find_the_same() -> None:
    car = load_car("trials")
    one, two = (tune(car, budget="quick", law="nudge", cores=cores) for cores in (1, 2))
    assert one.settings == two.settings
    assert one.gap == two.gap
    assert one.predicted_score == two.predicted_score


@pytest.mark.parametrize("name", CARS)
@pytest.mark.parametrize("law", SEARCHED_LAWS)
def test_only_periods_and_low_limits_that_somebody_would_type_are_tried(law: str, name: str) -> None:
    car = load_car(name)
    space = make_space(car, SEARCHED_LAWS)
    warm = curve_at(car.curves.base_steps, 90.0)
    for place in np.linspace(0.0, 1.0, 23):
        tried = space.from_unit(law, [float(place)] * len(space.keys(law)))
        assert tried.update_period_ms % 10.0 == 0.0
        assert -tried.trim_limit_steps[0] <= max(warm - 2.0, 6.0), "further down is no room to close"
    near = {key.split()[0] for key in space.neighbours(space.from_unit(law, [0.5] * len(space.keys(law))))}
    assert "update_period_ms" in near


@pytest.mark.parametrize("law", SEARCHED_LAWS)
def test_settings_go_to_the_unit_cube_and_back(law: str) -> None:
    space = make_space(load_car("twin"), SEARCHED_LAWS)
    settings = space.from_unit(law, [0.4] * len(space.keys(law)))
    assert space.from_unit(law, space.to_unit(settings)) == settings
