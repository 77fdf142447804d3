"""A start told in words: stalls, failed starts and lost steps are called what they are."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, cast

import pytest
from matplotlib.text import Text

from sim import Scenario, load_car, load_scenario, simulate, with_values
from tests.said import said
from tuning.starts.position import Lost
from tuning.starts.story import StartStory, start_story
from workbench.figures.start import start_figure
from workbench.page.work_start import start_work
from workbench.words.wording import worded


def told(scenario: str | Scenario, seed: int = 0, **changes: Any) -> StartStory:
    car = with_values(load_car("trials"), changes)
    run = load_scenario(scenario) if isinstance(scenario, str) else scenario
    return start_story(simulate(car, run, seed), car)


def text(story: StartStory) -> str:
    return "\n".join(said(story.lines()))


def test_phases_end_where_the_engine_stalls_and_the_second_try_is_told() -> None:
    none = [(0.0, 0.0), (90.0, 0.0)]
    story = told("cold_start_m20", curves={"base_steps": none, "after_start_steps": none})
    last = story.phases[-1]
    assert last.name == "stalled"
    assert last.from_s == story.stalled_s
    assert all(one.to_s <= story.stalled_s for one in story.phases[:-1])
    assert "the key is turned again 30 s after cranking began" in said(last.text)
    assert story.wrong == []


def test_an_engine_that_fires_and_does_not_run_up_is_told_so() -> None:
    story = told("cold_start_m20", curves={"cranking_steps": [(-20.0, 4.0), (90.0, 4.0)]})
    assert "does not run up" in said(story.finding)
    assert "nan" not in text(story)


@pytest.mark.parametrize("valve", [{"pulse_ms": 1.5}, {"homing_steps": 0}])
def test_a_valve_that_is_not_where_it_is_counted_is_no_fault_of_the_base_curve(valve: dict[str, Any]) -> None:
    story = told("cold_start_0", valve=valve)
    assert story.off_at_end_steps != 0.0
    assert story.wrong == []
    assert "than counted" in text(story)
    assert not any("base curve at" in one for one in said(story.lines()))


def run_of(duration_s: float, *happens: tuple[float, str, Any], **more: Any) -> Scenario:
    """Key on at 20 degC and warming up, with what happens."""
    events = [{"at_s": at, "set": name, "to": to} for at, name, to in happens]
    values = {
        "name": "lived", "start": "key_on", "duration_s": duration_s, "coolant_degC": 20.0,
        "warm_up": True, "event": events,
    }  # fmt: skip
    return Scenario.model_validate(values | more)


def test_a_later_homing_or_the_key_off_ends_the_start_that_is_told() -> None:
    again = told(run_of(60.0, (2.0, "key", "crank"), (20.0, "home", 1)))
    assert again.homing_s < 1.0
    assert [one.name for one in again.phases][:3] == ["homing", "waiting", "cranking"]
    assert again.until_s == pytest.approx(20.0, abs=0.1)
    off = told(run_of(90.0, (2.0, "key", "crank"), (40.0, "key", "off"), (50.0, "key", "on"),
                      (52.0, "key", "crank")))  # fmt: skip
    assert off.homing_s < 1.0
    assert off.until_s == pytest.approx(40.0, abs=0.1)
    assert off.lowest_rpm > 700.0  # the run-down after the key went off does not count
    assert all(one.to_s <= off.until_s for one in off.phases)


def test_a_missed_homing_that_is_mended_ends_what_it_does() -> None:
    car = with_values(load_car("trials"), {"valve": {"homing_steps": 40}})
    run = run_of(240.0, (2.0, "key", "crank"), (60.0, "home", 1), (62.0, "home", 1))
    told_of = [start_story(simulate(car, run, seed), car) for seed in range(6)]
    missed = [one.offset for one in told_of if one.offset is not None]
    assert missed
    assert all(one.to_s == pytest.approx(60.0, abs=0.1) for one in missed)
    assert "More homing_steps" in said(missed[0].told())


def test_steps_lost_and_found_again_are_told_and_blame_no_curve() -> None:
    def story(*happens: tuple[float, str, Any]) -> StartStory:
        return told(run_of(300.0, (2.0, "key", "crank"), *happens))

    sound, lost = story(), story((30.0, "lost_steps", 10), (250.0, "home", 1))
    assert sound.lost is None
    assert lost.lost is not None
    assert (lost.lost.low_steps, lost.lost.high_steps) == pytest.approx((-10.0, 0.0))
    assert lost.lost.from_s == pytest.approx(30.0, abs=1.0)
    assert "steps were lost" in text(lost)
    mean = {one.from_degC: one.trim_steps for one in sound.base_errors}
    for one in lost.base_errors:
        assert one.trim_steps == pytest.approx(mean[one.from_degC], abs=3.0)


def test_a_second_start_after_a_stall_is_told_as_it_went() -> None:
    run = run_of(60.0, (3.0, "torque_Nm", 200.0), (4.0, "torque_Nm", 0.0), (12.0, "key", "crank"),
                 (30.0, "key", "on"), start="idle")  # fmt: skip
    story = told(run)
    assert story.key_s == pytest.approx(12.0, abs=0.1)
    assert math.isnan(story.stalled_s)
    names = [one.name for one in story.phases]
    assert [one.from_s for one in story.phases] == sorted(one.from_s for one in story.phases)
    assert {"cranking", "flare", "warm-up"} <= set(names)
    assert "warm" not in names  # at 20 degC
    assert "stall" not in said(story.finding)


def test_a_valve_wired_the_wrong_way_is_not_mended_by_more_homing() -> None:
    story = told("cold_start_20", valve={"wired_reversed": True})
    assert story.offset is not None
    assert "wired the wrong way round" in said(story.offset.told())
    assert "More homing_steps" not in text(story)


def test_loads_are_no_fault_of_the_base_curve() -> None:
    lamps = [{"at_s": 60.0, "set": "electrical_W", "to": 250.0}]
    given = load_scenario("cold_start_20").model_dump() | {"duration_s": 300.0}
    alone, loaded = (
        told(Scenario.model_validate(given | {"event": [*given["event"], *more]})) for more in ([], lamps)
    )
    assert loaded.trim_high_steps > alone.trim_high_steps + 2.0
    first, first_alone = loaded.base_errors[0], alone.base_errors[0]
    assert first.trim_steps == pytest.approx(first_alone.trim_steps, abs=1.0)


def test_the_figure_does_not_praise_a_curve_that_was_not_seen() -> None:
    none = [(0.0, 0.0), (90.0, 0.0)]
    car = with_values(load_car("trials"), {"curves": {"base_steps": none, "after_start_steps": none}})
    trace = simulate(car, load_scenario("cold_start_m20"))
    figure = start_figure(trace, start_story(trace, car))
    words = " ".join(one.get_text() for one in cast("list[Text]", figure.findobj(Text)))
    assert "needs no mending" not in words
    assert "did not act for long enough" in words


def test_the_page_tells_of_a_valve_that_is_not_where_it_is_counted() -> None:
    car = with_values(load_car("trials"), {"valve": {"homing_steps": 0}})
    played = start_work(lambda *_: None, car=car, coolant_degC=0.0, seed=0)
    (told,) = played["wrong"]
    assert "than counted" in worded(told)


def test_a_restart_is_told_from_its_homing_on() -> None:
    story = told("hot_restart")
    assert story.key_s == pytest.approx(42.0, abs=0.1)
    assert story.phases[0].name == "homing"
    assert story.phases[0].from_s == pytest.approx(40.0, abs=0.1)
    assert story.phases[-1].name == "warm"
    idles = float(said(story.phases[-1].text).split()[2])
    assert idles == pytest.approx(880.0, abs=25.0)  # not mixed with the time it stood
    car = load_car("trials")
    trace = simulate(car, load_scenario("hot_restart"), 0)
    stops = [one.name for one in trace.events if one.text == "the engine has stopped"]
    assert stops == ["stop"]  # it was switched off
    figure = start_figure(trace, start_story(trace, car))
    low, high = figure.axes[0].get_xlim()
    assert low < 40.0 < 42.0 < high < 72.0


def test_the_numbers_on_the_way_are_told_and_marked() -> None:
    car = load_car("trials")
    trace = simulate(car, load_scenario("cold_start_0"), 0)
    story = start_story(trace, car)
    assert story.numbers in story.lines()
    acts = trace.time_s[(trace["enabled"] > 0.5) & (trace.time_s > story.key_s)][0]
    assert story.key_s + story.feedback_s == pytest.approx(acts)
    assert 0.0 < story.first_firing_s < story.run_s < story.feedback_s
    figure = start_figure(trace, story)
    marked = [one.get_text() for axes in figure.axes for one in axes.texts]
    assert {"first firing", "feedback acts"} <= set(marked)
    never = told("cold_start_m20", curves={"cranking_steps": [(-20.0, 0.0), (90.0, 0.0)]})
    assert "nan" not in said(never.numbers)


def flat(steps: float) -> dict[str, Any]:
    """A base curve that is the same everywhere."""
    return {"base_steps": [(-20.0, steps), (90.0, steps)]}


def test_a_speed_that_never_reaches_its_target_is_told_without_numbers_that_do_not_exist() -> None:
    never = [told("cold_start_0", seed, valve={"wired_reversed": True}).finding for seed in range(6)]
    assert not any("nan" in one for one in said(never))
    story = told("cold_start_20")
    assert "stays below 60 % of its target" in said(replace(story, flare_rpm=math.nan).finding)


def test_trim_at_its_limit_tells_only_the_least_that_is_wrong_and_racing_is_told() -> None:
    story = told("cold_start_m20", curves=flat(60.0), feedback={"enable_delay_s": 5.0})
    limited = [one for one in story.base_errors if one.at_limit]
    assert limited
    assert all(
        "feedback held at least 12 steps less than the base curve" in said(one.told()) for one in limited
    )
    racing = told(run_of(200.0, (2.0, "key", "crank"), coolant_degC=40.0), curves=flat(60.0))
    assert racing.out_of_reach is not None
    assert racing.out_of_reach.off_rpm > 400.0
    assert "feedback did not act and the engine ran" in "\n".join(said(racing.wrong))
    assert told("cold_start_20").out_of_reach is None


def test_a_start_that_fails_tells_where_the_valve_stood() -> None:
    low = {"cranking_steps": [(-20.0, 4.0), (90.0, 4.0)]}
    hangs = told("cold_start_m20", curves=low)
    assert "at its cranking position, 4 steps" in said(hangs.finding)
    (cranking,) = [one for one in hangs.phases if one.name == "cranking"]
    assert "most of it without the starter" in said(cranking.text)
    none = [(0.0, 0.0), (90.0, 0.0)]
    stalls = told("cold_start_m20", curves={"base_steps": none, "after_start_steps": none})
    assert "with the valve at 0 steps" in said(stalls.finding)


def test_a_position_lost_both_ways_is_told_both_ways() -> None:
    lost = Lost(4.0, 300.0, -33.0, 10.0)
    assert "up to 33 steps further closed and up to 10 steps further open" in said(lost.told(300.0))
    assert "open" not in said(Lost(4.0, 300.0, -33.0, 0.0).told(300.0)).partition(":")[0]
