"""Explanations of constructed cars: the cause is the one built in, and every view bears it out."""

from __future__ import annotations

import functools
import json
import re
from typing import Any

import numpy as np
import pytest

from sim import InputError, load_car, with_values
from tuning import Note, explain
from tuning.explanation.cycle import STARTS_rpm
from tuning.explanation.ends import even_phases, run_settings, without_scatter
from tuning.explanation.explaining import Explanation
from tuning.explanation.map import QUICK
from tuning.loop import idle_point
from workbench.words.wording import in_words, worded

FINE = {"min_move_steps": 1, "deadband_rpm": 15.0}
SLOW_VALVE = {
    "valve": {"pulse_ms": 50.0, "rest_ms": 50.0},
    "feedback": {
        "min_move_steps": 3, "deadband_rpm": 40.0, "gain_steps_per_100rpm": 10.0,
        "integral_steps_per_100rpm_s": 5.0,
    },
}  # fmt: skip
SURGING = {
    "mixture": {
        "fuelling_lag_s": 0.7, "loss": 4.0, "wall_share": 0.0, "lambda_base": 1.05,
    },
}  # fmt: skip
BUILT: dict[str, dict[str, Any]] = {
    "as it came": {},
    "coarse": {"feedback": {"min_move_steps": 6, "deadband_rpm": 5.0}},
    "high integral": {
        "feedback": {**FINE, "gain_steps_per_100rpm": 8.0, "integral_steps_per_100rpm_s": 20.0}
    },
    "high gain": {"feedback": {**FINE, "gain_steps_per_100rpm": 35.0}},
    "slow valve": SLOW_VALVE,
    "slow updates": {
        "feedback": {
            **FINE, "gain_steps_per_100rpm": 6.0, "integral_steps_per_100rpm_s": 4.0,
            "update_period_ms": 1500.0,
        }
    },
    "fine": {"feedback": {"min_move_steps": 1, "deadband_rpm": 40.0}},
    "narrow limits": {"feedback": {**FINE, "trim_limit_steps": (-1.0, 0.0)}},
    "off": {"feedback": {"law": "none"}},
    "surging engine": SURGING,
    "retarding spark": {"spark": {"advance_deg_per_100rpm": -12.0}},
}  # fmt: skip


@functools.cache
def explained(name: str) -> Explanation:
    """Explain one of the built cars, once."""
    return explain(with_values(load_car("trials"), BUILT[name]), quick=True)


@pytest.mark.parametrize(
    ("name", "cause"),
    [
        ("as it came", "resolution"),
        ("coarse", "resolution"),
        ("high integral", "gains"),
        ("high gain", "gains"),
        ("slow valve", "valve_speed"),
        ("slow updates", "updates"),
    ],
)
def test_the_cause_built_in_is_the_first_told_and_ends_it(name: str, cause: str) -> None:
    result = explained(name)
    assert result.hunts
    first = result.causes[0]
    assert (first.key, first.named_first, first.ends_it) == (cause, True, True)
    assert first.left_share < 0.25
    told = worded(result.verdict)
    assert f"First cause: {in_words(first.name)}." in told[0]
    assert in_words(first.remedy) in " ".join(told)
    assert in_words(first.cost) in " ".join(told)


@pytest.mark.parametrize("name", ["as it came", "coarse"])
def test_the_cost_told_is_of_the_widest_deadband_advised(name: str) -> None:
    first = explained(name).causes[0]
    advised = [float(half) for half in re.findall(r"±(\d+)", in_words(first.remedy))]
    assert advised
    assert f"up to {max(advised):.0f} rpm off target" in in_words(first.cost)


@pytest.mark.parametrize("hunting", [0, 24])
def test_a_cycle_that_variation_breaks_up_is_told_as_that(hunting: int) -> None:
    quiet = Note("explanation.quiet.hunts", hunting=36, runs=36, swing_rpm=50.0, period_s=2.4)
    chance = Note("measures.does_not_hunt", runs=24, high_percent=12.0)
    if hunting:
        chance = Note("measures.hunts", hunting=24, runs=24, low_percent=88.0, high_percent=100.0)
    told = in_words(Note("explanation.headline.hunts", chance=chance, quiet=quiet))
    assert "it hunts from 36 of 36 starting conditions" in told
    assert ("breaks that cycle up" in told) == (not hunting)


@pytest.mark.parametrize("name", ["off", "surging engine", "retarding spark"])
def test_what_is_not_the_valve_is_not_blamed_on_it(name: str) -> None:
    result = explained(name)
    assert [cause.key for cause in result.causes] == ["not_feedback"]
    assert result.verdict[0].code == "explanation.headline.not_feedback"
    if name == "off":
        assert result.maps == ()
        assert result.suggested == {}


def test_the_slow_valve_alone_brings_its_gains_beyond_the_border() -> None:
    linear = explained("slow valve").linear
    assert linear.here.border_multiplier < 0.95
    assert linear.border_without_valve_time > 1.5


def test_the_surging_engine_does_swing_with_its_valve_held() -> None:
    # The test of the brief, section 2: hold the valve still; if it still swings, it is not the idle
    # feedback.
    table = explained("surging engine").ablation
    assert table.held_chance >= 0.5
    assert table.held_stalled == 0.0
    assert table.floor_rpm > 3.0 * explained("as it came").ablation.floor_rpm


def test_what_comes_to_rest_is_not_called_hunting() -> None:
    result = explained("fine")
    assert not result.hunts
    assert result.causes == ()
    assert result.story is None
    assert result.ablation.as_is.chance == 0.0
    told = in_words(result.verdict[0])
    assert told.startswith("It does not hunt: none of 24 simulated runs does, which leaves a chance of up to")
    assert "up to 12 %. " in told
    limited = explained("narrow limits")
    assert not limited.hunts
    assert "explanation.at_limit" in [note.code for note in limited.verdict]


@pytest.mark.parametrize("name", ["as it came", "coarse", "high integral", "slow updates"])
def test_the_suggested_settings_rest(name: str) -> None:
    row = explained(name).ablation.row("suggested")
    assert row is not None
    assert row.chance == 0.0
    assert row.with_scatter_chance < 0.25


def test_predicted_and_simulated_cycle_agree() -> None:
    for name in ("as it came", "coarse"):
        cycle = explained(name).cycle
        assert cycle.swing_ratio == pytest.approx(1.0, abs=0.10)
        assert cycle.period_ratio == pytest.approx(1.0, abs=0.05)


def test_hunting_lies_below_the_border_of_the_first_map() -> None:
    first = explained("as it came").maps[0]
    border = np.interp(first.x, first.border_x, first.border_y)
    clear = first.y[:, None] - border[None, :]
    cell = first.y[1] - first.y[0]
    assert np.all(first.chance[clear > cell] == 0.0)
    deep = clear < -cell
    assert np.all(first.chance[deep] > 0.0)
    # Theory: chance is one less the ratio of deadband to half a move, on average within 0.1.
    expected = np.clip(1.0 - first.y[:, None] / border[None, :], 0.0, 1.0)
    assert np.mean(np.abs(first.chance - expected)) < 0.1
    assert first.now == (4.0, 25.0)


def test_gains_beyond_the_border_swing_without_any_steps() -> None:
    # All do but those whose speed never leaves the deadband with the valve where it begins.
    car, second = load_car("trials"), explained("as it came").maps[1]
    assert second.x_key == "gain_steps_per_100rpm"
    beyond = second.y > 1.3 * second.border_y[-1]
    assert np.count_nonzero(beyond) >= 3
    point = idle_point(car)
    assert point is not None
    phases, held = even_phases(car, point, QUICK.phases), car.feedback.model_copy(update={"law": "none"})
    still = run_settings(
        without_scatter(car), [held], phases, coolant_degC=point.coolant_degC, offsets_rpm=STARTS_rpm
    )
    farthest_rpm = np.abs(still.rpm - point.target_rpm).max(axis=1)
    leaving = np.mean(farthest_rpm > car.feedback.deadband_rpm)
    assert leaving >= 0.8
    assert second.chance[beyond, 0] == pytest.approx(leaving)


def test_the_cycle_told_is_one_period_from_move_to_move() -> None:
    story = explained("as it came").story
    assert story is not None
    times = [moment.at_s for moment in story.moments]
    assert times == sorted(times)
    assert times[0] == pytest.approx(0.0, abs=1e-6)
    assert times[-1] == pytest.approx(story.period_s, abs=1e-6)
    assert story.moments[0].kind == story.moments[-1].kind == "told"
    kinds = {moment.kind for moment in story.moments}
    assert {"told", "crosses", "leaves", "peak", "trough"} <= kinds
    # What is told is what was drawn: each moment's speed is that of the trace at its time.
    for moment in story.moments:
        at = int(np.argmin(np.abs(story.time_s - moment.at_s)))
        assert abs(moment.rpm - story.rpm[max(at - 3, 0) : at + 4]).min() < 1.0


def test_nothing_beats_the_bound() -> None:
    for name in ("as it came", "coarse", "fine"):
        rows = explained(name).bound
        assert {row.key for row in rows} == {"lamps", "fan", "screen", "electric"}
        for row in rows:
            others = (row.own_rpm, row.held_rpm, row.forward_rpm)
            assert row.bound_rpm <= min(others) + 0.5, row
            assert row.left_to_gain_rpm == pytest.approx(row.own_rpm - row.bound_rpm)
    by_size = sorted(explained("as it came").bound, key=lambda row: row.held_rpm)
    assert by_size[-1].key == "electric"


def test_everything_is_plain_json_and_the_same_again() -> None:
    once = explained("as it came").to_dict()
    again = explain(load_car("trials"), quick=True).to_dict()
    for told in (once, again):
        told.pop("seconds")
    assert json.dumps(once, allow_nan=False) == json.dumps(again, allow_nan=False)
    for name in BUILT:
        json.dumps(explained(name).to_dict(), allow_nan=False)


def test_what_cannot_be_explained_is_refused() -> None:
    car = load_car("trials")
    fast = with_values(car, {"curves": {"target_rpm": ((-20.0, 2900.0), (90.0, 2900.0))}})
    with pytest.raises(InputError, match="no valve position gives its value"):
        explain(fast, quick=True)
    with pytest.raises(ValueError, match="seed is out of range"):
        explain(car, seed=-1)
