"""The cause seen: which positions the valve can hold, and one cycle that can hold at none."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from sim import load_car, with_values
from tests.page.browsing import Look, wait_for
from tuning.explanation import explain
from tuning.loop import WARM_degC
from workbench.page.cycle_panel import ACTS, PARTS, cycle_option, loop_html, orbit_option, title, why
from workbench.page.explore import rungs_data
from workbench.page.look import DARK, LIGHT
from workbench.page.work_explain import cycle_parts
from workbench.page.work_live import rungs_of


@pytest.mark.parametrize(
    ("move", "deadband_rpm", "held"), [(4, 25.0, {True, False}), (4, 60.0, {True}), (1, 25.0, {True})]
)
def test_a_rung_within_the_bar_is_a_place_to_hold(move: int, deadband_rpm: float, held: set[bool]) -> None:
    settings = {"min_move_steps": move, "deadband_rpm": deadband_rpm}
    car = with_values(load_car("trials"), {"feedback": settings})
    seen = set()
    for standing in (10.0, 11.0, 12.0, 13.0):
        found = rungs_of(car, WARM_degC, standing)
        low, high = found["bar"]
        assert high - low == pytest.approx(2.0 * deadband_rpm)
        holds = any(low <= rpm <= high for _, rpm in found["reached"])
        assert found["holds"] is holds
        assert ("cannot hold" in found["text"]) is not holds
        assert {steps % move for steps, _ in found["reached"]} == {standing % move}
        speeds = [rpm for _, rpm in sorted(found["reached"] + found["passed"])]
        assert np.all(np.diff(speeds) > 0.0), "each opens further than the one before"
        _, reached = rungs_data(found, LIGHT)
        bold = [one["label"]["fontWeight"] == "bold" for one in reached["data"]]
        assert any(bold) is holds
        seen.add(holds)
    assert seen == held, "where the valve stands decides only where the bar is narrow"


def test_without_feedback_there_is_no_bar() -> None:
    car = with_values(load_car("trials"), {"feedback": {"law": "none"}})
    found = rungs_of(car, WARM_degC, 12.0)
    assert found["holds"] is None
    assert rungs_data(found, DARK)[0]["markArea"]["data"] == []


def test_the_cycle_told_is_the_cycle_drawn() -> None:
    result = explain(load_car("trials"), quick=True)
    found = cycle_parts(result)
    assert found is not None
    assert result.story is not None
    json.dumps(found)
    half, target = found["deadband_rpm"], found["target_rpm"]
    assert not [rpm for _, rpm in found["reached"] if abs(rpm - target) <= half]
    assert why(found).endswith("the loop can hold nowhere and goes round.")
    steps = [at for at, _ in found["orbit"]]
    assert max(steps) - min(steps) == pytest.approx(found["move_steps"], abs=0.51)
    assert f"{result.story.period_s:.1f} s" in title(found)
    for at, moment in enumerate(found["moments"]):
        assert moment["kind"] in ACTS
        option = cycle_option(found, at, LIGHT, imperial=False)
        lit = [one for one in option["series"][5]["data"] if one["name"] == str(at + 1)]
        assert lit[0]["value"][1] == pytest.approx(moment["map_kPa"]), "pressure of that moment"
        assert orbit_option(found, at, DARK)["series"][3]["data"][-1]["name"] == str(at + 1)
    assert loop_html("valve").count('class="acts"') == 1
    assert set(ACTS.values()) == {key for key, *_ in PARTS}


def lit(look: Look) -> str:
    """What is told of the moment that is lit."""
    return look.driver.find_element("css selector", ".cycle .moment").text


@pytest.mark.browser
def test_a_cycle_is_stepped_by_button_and_by_key(look: Look) -> None:
    from selenium.webdriver.common.keys import Keys

    look.press("Tell me this cycle")
    place = wait_for(
        lambda: [one for one in look.driver.find_elements("css selector", ".cycle") if one.is_displayed()],
        "the cycle",
    )[0]
    wait_for(lambda: lit(look).startswith("1 of "), "the first moment")
    place.send_keys(Keys.ARROW_RIGHT)
    wait_for(lambda: lit(look).startswith("2 of "), "by key")
    look.press("Next")
    wait_for(lambda: lit(look).startswith("3 of "), "by button")

    def large() -> bool:
        pins: list[dict[str, Any]] = look.option(".orbit .chart")["series"][1]["data"]
        return [one["name"] for one in pins if one["symbolSize"] > 20] == ["3"]

    wait_for(large, "the pin is lit")
