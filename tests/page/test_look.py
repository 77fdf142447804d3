"""What the style sheet must do in a browser: focus is seen, and on a phone the idle stays so."""

from __future__ import annotations

import pytest
from selenium.webdriver.common.keys import Keys

from tests.page.browsing import PHONE, Look, resize, wait_for

pytestmark = pytest.mark.browser

FOCUSED = """
const one = document.activeElement;
const drawn = one.matches('.q-field__native') ? one.closest('.q-field__control') : one;
const style = getComputedStyle(drawn);
return [one === document.body, one.className, style.outlineStyle, parseFloat(style.outlineWidth)];
"""
COUNT = {"Explore": 50, "Log": 23}
"""Presses of the tabulator that meet each control of a tab once, the head of the page with it."""


def test_what_has_the_focus_is_outlined(look: Look) -> None:
    met = ""
    for tab, count in COUNT.items():
        look.tab(tab)
        look.button("Read it" if tab == "Log" else "Tell me this cycle")
        look.press("dark" if tab == "Log" else "light")
        for _ in range(count):
            look.driver.switch_to.active_element.send_keys(Keys.TAB)
            outside, classes, style, width_px = look.driver.execute_script(FOCUSED)
            met += classes
            assert outside or (style == "solid" and width_px >= 2.0), f"{tab}: {classes}"
    for one in ("q-btn", "q-toggle", "q-checkbox", "q-slider", "q-tab", "q-field"):
        assert one in met


def test_on_a_phone_the_idle_stays_in_sight_of_its_sliders(look: Look) -> None:
    resize(look.driver, PHONE)
    look.wait_text("starting condition")

    def seen() -> bool:
        script = """
        const last = [...document.querySelectorAll('[data-key]')].pop();
        window.scrollTo(0, last.getBoundingClientRect().bottom + window.scrollY - 640);
        const chart = document.querySelector('.explore > .shown').getBoundingClientRect();
        const free = [...document.querySelectorAll('[data-key]')].map(
          one => one.getBoundingClientRect()).filter(
          at => at.top >= chart.bottom && at.bottom <= window.innerHeight + 1);
        return [window.scrollY, chart.top, chart.height, free.length];
        """
        scrolled, top, height, free = look.driver.execute_script(script)
        return scrolled > 300 and abs(top) < 1.0 and height <= 420 and free >= 2

    wait_for(seen, "chart above, two sliders below")


def test_the_head_keeps_its_place_whatever_it_tells(look: Look) -> None:
    script = """
    const told = document.querySelector('.top .state');
    told.innerText = arguments[0];
    return [...document.querySelectorAll('.top button')].map(one => {
      const at = one.getBoundingClientRect(); return [at.left, at.top]; }).concat(
      [[0, document.querySelector('.q-tabs').getBoundingClientRect().top]]);
    """
    short, long = (look.driver.execute_script(script, told) for told in ("x", "saved as x " * 40))
    assert short == long
    assert all(one[1] == short[0][1] for one in short[:4]), "the buttons are in one line"
