"""What if: one thing changed at a time, previews that take nothing, versions compared, steps undone."""

from __future__ import annotations

from typing import Any

import pytest

from sim import load_car
from tests.page.browsing import Look, wait_for
from workbench.page.explore import faded_data, with_room
from workbench.page.session import Sessions
from workbench.page.shown import table_html
from workbench.page.what_if import COMPARED, bar_html, compared, taken_percent
from workbench.page.wish import Wish
from workbench.page.work_live import chance, idle, version, what_ifs
from workbench.words.tables import mark

ROWS: list[dict[str, Any]] = [
    {"key": "as_is", "swing_rpm": 90.0}, {"key": "resolution", "swing_rpm": 50.0},
    {"key": "slower_updates", "swing_rpm": 110.0}, {"key": "feedback", "swing_rpm": 40.0},
]  # fmt: skip


def test_a_bar_tells_how_much_of_the_swing_above_the_held_valve_goes() -> None:
    assert [taken_percent(one, ROWS) for one in ROWS] == pytest.approx([0.0, 80.0, -40.0, 100.0])
    for percent, *told in ((80.0, "width: 80%", "takes away 80 %"), (-40.0, "width: 0%", "adds 40 %")):
        assert all(one in bar_html(percent) for one in told)
    assert "takes nothing away" in bar_html(0.4)


def test_two_versions_are_marked_better_worse_and_same() -> None:
    pinned = dict.fromkeys(COMPARED, 100.0)
    table = compared(pinned, pinned | {"swing": 80.0, "dip": 120.0, "moves": 103.0})
    assert [row[-1] for row in table.rows] == ["same", "better", "worse", "same", "same"]
    told = table_html(table)
    assert '<td class="bad">worse</td>' in told
    assert '<td class="good">better</td>' in told
    assert mark(880.0, 800.0, less_is_better=False) == "worse"
    assert mark(float("nan"), 1.0) == ""


def test_what_proves_the_cause_is_drawn_and_judged_by_the_same_runs() -> None:
    car = load_car("trials")
    wish = Wish(90.0, car.engine.scatter_share)
    rows = what_ifs(car, wish.coolant_degC, 0)
    by_key = {one["key"]: one for one in rows}
    own = version(car, wish, 0)
    assert rows[0]["car"] == car
    assert by_key["as_is"]["swing_rpm"] == pytest.approx(own["swing"])
    assert by_key["as_is"]["hunting_percent"] == pytest.approx(own["hunting"])
    assert taken_percent(by_key["resolution"], rows) > 50.0 > taken_percent(by_key["valve_speed"], rows)
    finer = idle(by_key["resolution"]["car"], wish, 0, car)
    assert finer["spans"]["valve_steps"][1] < car.valve.travel_steps, "in steps of the car itself"
    told = chance(car, wish.coolant_degC, 0)
    hunting = round(0.24 * own["hunting"])
    assert told["verdict"].startswith(f"Hunts: {hunting} of 24 simulated runs do")
    assert "starting conditions" in told["text"]
    for word in ("hunts", "cannot tell"):
        assert word not in idle(car, wish, 0)["finding"], "one verdict, by many runs"


def test_what_is_faded_behind_has_room() -> None:
    run = {"spans": {"rpm": [800.0, 900.0], "valve_steps": [10.0, 14.0]}}
    wider = {
        "spans": {"rpm": [700.0, 850.0], "valve_steps": [12.0, 20.0]},
        "rpm": [[0, 1]],
        "valve_steps": [],
    }
    assert with_room(run, None) is run
    assert with_room(run, wider)["spans"] == {"rpm": [700.0, 900.0], "valve_steps": [10.0, 20.0]}
    assert [one.get("data") for one in faded_data(wider)["series"][5:]] == [[[0, 1]], []]
    assert [one.get("data") for one in faded_data(None)["series"][5:]] == [[], []]


def test_changes_are_undone_and_redone_step_by_step() -> None:
    session = Sessions(0).begin()
    bands = [session.car.feedback.deadband_rpm, 30.0, 35.0]
    for value in bands[1:]:
        session.change("feedback", deadband_rpm=value)
        session.settle()
        session.settle()  # nothing new: no step of its own
    seen = []
    for by in (-1, -1, -1, 1, 1, 1, -1):
        session.step(by)
        seen.append(session.car.feedback.deadband_rpm)
    assert seen == [bands[1], bands[0], bands[0], bands[1], bands[2], bands[2], bands[1]]
    session.change("feedback", deadband_rpm=50.0)
    session.step(1)
    assert session.car.feedback.deadband_rpm == 50.0, "what came later is gone once something else is changed"
    session.step(-1)
    assert session.car.feedback.deadband_rpm == bands[1]


@pytest.mark.browser
def test_a_cause_is_switched_off_and_settings_are_pinned_and_undone(look: Look) -> None:
    from selenium.webdriver.common.keys import Keys

    look.wait_text("takes away")
    own = look.option(".runs")["series"][0]["data"]
    look.press("a valve without steps")
    look.wait_text("faded: your settings")
    assert wait_for(lambda: look.option(".runs")["series"][5]["data"], "own run faded") == own
    assert "no changes" in look.text(), "looking takes nothing"
    look.press("a valve without steps")
    wait_for(lambda: look.option(".runs")["series"][0]["data"] == own, "own run again")
    look.press("Pin these settings")
    look.slide("min_move_steps", Keys.ARROW_LEFT, 3)
    told = look.wait_text("better")
    assert "Faded: the pinned settings" in told
    assert look.option(".runs")["series"][5]["data"] == own
    look.press("Undo")
    look.wait_text("4 steps")
    look.wait_text("no changes")
    look.press("Redo")
    look.wait_text("1 steps")
