"""Somebody new does the seven first things by the words on the screen: with mouse, finger and keys alone."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.actions.action_builder import ActionBuilder
from selenium.webdriver.common.actions.interaction import POINTER_TOUCH
from selenium.webdriver.common.actions.pointer_input import PointerInput
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement

from sim import load_car
from tests.page.browsing import LAPTOP, PHONE, Look, Served, resize, wait_for
from workbench.words.facts import FACTS

pytestmark = pytest.mark.browser

WIDE = (2560, 1440)
OWN = {"displacement_cm3": "1300", "cylinders": "4", "target_rpm": "850", "base": "0:48, 80:20"}
IN_SIGHT = "arguments[0].scrollIntoView({block: 'center'}); return true"


def by_mouse(look: Look, one: WebElement) -> None:
    """Point at it and click."""
    look.driver.execute_script(IN_SIGHT, one)
    ActionChains(look.driver).move_to_element(one).click().perform()


def by_finger(look: Look, one: WebElement) -> None:
    """Tap on it."""
    look.driver.execute_script(IN_SIGHT, one)
    taps = ActionBuilder(look.driver, mouse=PointerInput(POINTER_TOUCH, "finger"))  # type: ignore[no-untyped-call]
    taps.pointer_action.move_to(one).pointer_down().pointer_up()  # type: ignore[no-untyped-call]
    taps.perform()


def by_keys(look: Look, one: WebElement) -> None:
    """Go to it and press the return key; that it can be reached is looked at elsewhere."""
    look.driver.execute_script("arguments[0].focus()", one)
    ActionChains(look.driver).send_keys(Keys.ENTER).perform()


Press = Callable[[Look, WebElement], None]


class Newcomer:
    """Does what words say, in one way."""

    def __init__(self, look: Look, way: Press) -> None:
        self.look, self.way = look, way

    def presses(self, text: str) -> None:
        """Press what bears these words, once it stays where it is."""
        places: list[float] = []

        def at_rest() -> bool:
            places.append(self.look.height_of(self.look.button(text)))
            return places[-2:] == [places[-1]] * 2

        wait_for(at_rest, f"{text} at rest")
        self.way(self.look, self.look.button(text))

    def opens(self, tab: str) -> None:
        """Open a tab."""

        def opened() -> bool:
            tabs = self.look.driver.find_elements("css selector", ".q-tab")
            one = next(one for one in tabs if one.text.strip() == tab)
            if one.get_attribute("aria-selected") == "true":
                return True
            self.way(self.look, one)
            return False

        wait_for(opened, f"tab {tab}")


@pytest.mark.parametrize(
    ("size", "light", "way"),
    [(LAPTOP, "light", by_mouse), (PHONE, "dark", by_finger), (WIDE, "dark", by_keys)],
)
def test_the_seven_first_things_are_done_by_the_words_on_the_screen(
    look: Look, served: Served, size: tuple[int, int], light: str, way: Press,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:  # fmt: skip
    resize(look.driver, size)
    look.open(served.address)
    newcomer = Newcomer(look, way)
    look.wait_text("Where to begin")
    own = tmp_path_factory.mktemp("own") / "mine.toml"
    newcomer.presses("Describe my car")
    for key, answer in OWN.items():
        look.fill(FACTS[key].question, answer)
    look.fill("file to make of it, such as mycar.toml", str(own))
    newcomer.presses("Make the car file")
    look.wait_text("1300 cm³, 4 cylinders, 850 rpm when warm; mine.toml; no changes")
    assert load_car(own).engine.displacement_cm3 == 1300.0

    look.open(served.address)
    newcomer.presses(light)
    newcomer.presses("Look at the example")
    wait_for(lambda: "Where to begin" not in look.text(), "begun")
    look.wait_text("Hunts: ")
    newcomer.presses("Tell me this cycle")
    look.wait_text("First cause: the valve's resolution")

    newcomer.presses("Use these")
    look.wait_text("changes not saved")
    look.wait_text("Does not hunt")

    newcomer.opens("Log")
    newcomer.presses("hunting")
    look.wait_text("It hunts: ")
    look.wait_text("What drives the idle")

    newcomer.opens("Find settings")
    newcomer.presses("Search")
    newcomer.presses("Use the proposed settings")

    newcomer.opens("Cold start")
    newcomer.presses("all at once")
    newcomer.presses("Start it")
    look.wait_text("It runs ")

    newcomer.opens("Sheet")
    newcomer.presses("Make the sheet")
    look.button("Print")
    assert look.faults() == []
