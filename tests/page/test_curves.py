"""Curves on the page: what is typed is kept, told in its own unit, and never silently left out."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By

from tests.page.browsing import Look, wait_for
from workbench.page.curve_table import Row, number_shown
from workbench.page.shown import number_typed


@dataclass
class Field:
    """A field with something typed in it."""

    value: str


@pytest.mark.parametrize("typed", [20.0, 20.5, -4.0, 33.3, 0.01])
def test_what_was_typed_is_what_is_shown_again(typed: float) -> None:
    at_degC, steps = Row(Field(f"{typed:g}"), Field("9"), 50.0, 10.0).point(imperial=True)
    assert isinstance(at_degC, float)
    assert f"{1.8 * at_degC + 32.0:.4g}" == f"{typed:.4g}"
    assert steps == 9.0


def test_what_nobody_touched_is_not_rounded() -> None:
    row = Row(Field("50.01"), Field(""), 50.01, 10.00341)
    assert row.point(imperial=True) == (10.00341, None)
    assert Row(Field(""), Field("3"), 50.0, 10.0).point(imperial=True) == (None, 3.0)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("12,5", 12.5), ("12.5", 12.5), (" 7 ", 7.0), ("-3,25", -3.25), ("+4", 4.0), (",5", 0.5),
        ("\N{MINUS SIGN}20", -20.0), ("", None), ("  ", None), ("0x10", "0x10"), ("1e3", "1e3"),
        ("1,234.5", "1,234.5"), ("nan", "nan"), ("12 5", "12 5"), ("-", "-"),
    ],
)  # fmt: skip
def test_a_number_is_what_was_typed_or_none(typed: str, meant: float | str | None) -> None:
    assert number_typed(typed) == meant
    assert number_typed(number_shown(meant)) == meant


def errors(look: Look) -> list[str]:
    """What is said to be wrong."""
    return [one.text for one in look.driver.find_elements(By.CSS_SELECTOR, ".error") if one.text]


def turn_units(look: Look) -> None:
    """Press the switch between metric and imperial."""
    look.driver.find_element(By.CSS_SELECTOR, ".q-toggle").click()


@pytest.mark.browser
def test_a_refused_field_is_kept_and_holds_up_a_start(look: Look) -> None:
    look.tab("Cold start")
    look.wait_text("Base curve")
    turn_units(look)
    wait_for(lambda: look.field("Base curve, temperature 2").get_attribute("value") == "32", "°F")
    look.fill("Base curve, temperature 2", "5000")
    look.wait_text("point 2: too large (5000), allowed: a number from -76 to 392 °F")
    look.press("Start it")
    look.wait_text("Not begun: a field is not valid (Base curve).")
    look.tab("Explore")
    look.tab("Cold start")
    turn_units(look)
    look.wait_text("point 2: too large (2760), allowed: a number from -60 to 200 °C")
    wait_for(lambda: look.field("Base curve, temperature 2").get_attribute("value") == "2760", "what it was")
    look.fill("Base curve, temperature 2", "5")
    wait_for(lambda: errors(look) == [], "nothing is wrong any more")

    def remove(at: str) -> None:
        button = look.field(f"After-start air: remove the point at {at}")
        look.driver.execute_script("arguments[0].click()", button)

    remove("-20")
    wait_for(
        lambda: look.field("After-start air, temperature 1").get_attribute("value") == "20", "one is gone"
    )
    remove("20")
    look.wait_text("A curve needs 2 to 40 points.")


@pytest.mark.browser
def test_a_comma_stands_before_decimals_and_nothing_is_guessed(look: Look) -> None:
    look.tab("Cold start")
    first = "Base curve, temperature 1"
    wait_for(lambda: look.field(first).get_attribute("value"), "the curve")
    name = look.field(first).get_attribute("value")
    label = f"Base curve, steps at {name}"
    look.fill(label, "12,5")
    look.wait_text("changes not saved")
    turn_units(look)
    wait_for(lambda: look.field(first).get_attribute("value") != name, "degrees Fahrenheit")
    turn_units(look)  # drawn anew, as the car has it
    wait_for(lambda: look.field(label).get_attribute("value") == "12.5", "twelve and a half")
    look.fill(label, "0x10")
    look.wait_text("point 1: no number ('0x10')")
    assert look.field(label).get_attribute("value") == "0x10"


@pytest.mark.browser
def test_a_start_plays_on_in_other_units(look: Look) -> None:
    look.tab("Cold start")
    look.press("real time")
    look.press("Start it")

    def played_s() -> float:
        points = look.option(".tall")["series"][1]["data"]
        return float(points[-1][0]) if points else 0.0

    wait_for(lambda: look.driver.find_elements(By.CSS_SELECTOR, ".tall canvas"), "the chart")
    wait_for(lambda: played_s() > 0.5, "it is played")
    turn_units(look)
    wait_for(lambda: "°F" in look.option(".tall")["yAxis"][2]["name"], "in °F")
    before = played_s()
    wait_for(lambda: before < played_s() < 60.0, "played on from where it was")
    look.press("all at once")
    look.wait_text("After that minute this run hunts")


@pytest.mark.browser
def test_a_point_that_is_dragged_in_the_picture_is_told_in_the_table(look: Look) -> None:
    look.tab("Cold start")
    at_0 = "Base curve, steps at 0"
    before = float(wait_for(lambda: look.field(at_0).get_attribute("value"), "the table") or 0.0)
    wait_for(lambda: look.option(".curve-chart")["series"][0]["data"], "the picture")
    chart = look.driver.find_element(By.CSS_SELECTOR, ".curve-chart")
    look.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", chart)
    script = """
    const chart = getElement(Number(arguments[0].id.slice(1))).chart;
    return arguments[1].map((one) => chart.convertToPixel({gridIndex: 0}, one));
    """
    moved = look.driver.execute_script(script, chart, [[0.0, before], [0.0, before - 6.0]])
    size = chart.size
    (x, y), (_, below) = ((round(a - size["width"] / 2), round(b - size["height"] / 2)) for a, b in moved)
    hand = ActionChains(look.driver).move_to_element_with_offset(chart, x, y).click_and_hold()
    hand.move_by_offset(0, (below - y) // 2).move_by_offset(
        0, below - y - (below - y) // 2
    ).release().perform()
    wait_for(lambda: float(look.field(at_0).get_attribute("value") or 0.0) < before, "the table follows")
    assert float(look.field(at_0).get_attribute("value") or 0.0) == pytest.approx(before - 6.0, abs=1.0)
    look.wait_text("changes not saved")
    look.press("Undo")
    wait_for(lambda: float(look.field(at_0).get_attribute("value") or 0.0) == before, "undone")


@pytest.mark.browser
def test_what_is_going_on_is_told_on_every_tab_and_can_be_stopped_there(look: Look) -> None:
    look.tab("Find settings")
    look.press("Search")
    look.tab("Explore")
    look.wait_text("Going on: Searching, ")
    look.press("Stop it")
    wait_for(lambda: "Going on" not in look.text(), "it has ended")
