"""Each tab of the page does its main act, in a real browser against a real server."""

from __future__ import annotations

import re

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from sim.files import bundled_folder
from tests.page.browsing import LAPTOP, PHONE, Look, Served, resize, wait_for

pytestmark = pytest.mark.browser


def test_explore_draws_what_the_sliders_say(look: Look) -> None:
    look.wait_text("starting condition")
    before = look.option(".runs")
    assert len(before["series"][0]["data"]) > 100
    wait_for(lambda: look.option(".runs")["series"][2]["data"], "pressure follows")
    look.slide("min_move_steps", Keys.ARROW_LEFT, 3)
    look.slide("deadband_rpm", Keys.ARROW_RIGHT, 20)
    look.wait_text("1 steps")
    look.wait_text("Without combustion variation it settles from every")

    def wide() -> bool:
        (band,) = look.option(".runs")["series"][0]["markArea"]["data"]
        return bool(band[1]["yAxis"] - band[0]["yAxis"] == 90.0)

    wait_for(wide, "the deadband drawn is that of the slider")
    after = look.option(".runs")
    assert after["series"][0]["data"] != before["series"][0]["data"]
    valve = after["yAxis"][1]
    assert valve["interval"] >= 1.0
    assert (valve["max"] - valve["min"]) % valve["interval"] == 0.0
    assert "changes not saved" in look.text()


def test_the_charts_scripts_are_asked_for_early_and_once(look: Look) -> None:
    look.wait_text("starting condition")
    early, loaded = look.driver.execute_script(
        "return [[...document.querySelectorAll('link[rel=modulepreload]')].map(one => one.href),"
        " performance.getEntriesByType('resource').map(one => one.name)]"
    )
    assert len(early) >= 2
    assert all(loaded.count(one) == 1 for one in early)


def test_explore_map_moves_the_settings_by_click(look: Look) -> None:
    wait_for(lambda: look.option(".map").get("series"), "map")
    (now,) = look.option(".map")["series"][3]["data"]
    assert now == [4.0, 25.0]
    chart = look.driver.find_element(By.CSS_SELECTOR, ".map")
    script = (
        "return getElement(Number(arguments[0].id.slice(1))).chart"
        ".convertToPixel({xAxisIndex: 0, yAxisIndex: 0}, [2, 61])"
    )
    x, y = look.driver.execute_script(script, chart)
    size = chart.size
    ActionChains(look.driver).move_to_element_with_offset(
        chart, round(x - size["width"] / 2), round(y - size["height"] / 2)
    ).click().perform()
    look.wait_text("2 steps")
    look.wait_text("Without combustion variation it settles from every")


def test_explore_tells_one_cycle(look: Look) -> None:
    look.press("Tell me this cycle")
    told = look.wait_text("Remedy: minimum move 1")
    assert "commanded to open" in told
    assert "First cause: the valve's resolution" in told


@pytest.mark.parametrize("size", [LAPTOP, PHONE])
def test_explore_leaves_its_buttons_where_they_are(look: Look, served: Served, size: tuple[int, int]) -> None:
    resize(look.driver, size)
    look.open(served.address)
    heights = [look.height_of(look.button("Tell me this cycle"))]
    for seen in ("starting condition", "Likely cause", "Numbers: how many of 6"):
        look.wait_text(seen)
        heights.append(look.height_of(look.button("Tell me this cycle")))
    look.slide("min_move_steps", Keys.ARROW_LEFT, 3)
    look.slide("deadband_rpm", Keys.ARROW_RIGHT, 20)
    look.wait_text("Without combustion variation it settles from every")
    wait_for(lambda: "Likely cause" not in look.text(), "no cause")
    heights.append(look.height_of(look.button("Tell me this cycle")))
    assert max(heights) - min(heights) < 1.0


def test_explore_load_and_blip(look: Look) -> None:
    look.wait_text("With the valve held still")
    for word in ("Lamps, fan, rear window on", "Blip"):
        look.tick(word)
    look.wait_text("After a load speed falls")
    look.wait_text("after the blip speed falls")


def test_log_is_read_and_judged(look: Look) -> None:
    look.tab("Log")
    look.wait_text("A recorded log")
    chosen = wait_for(lambda: look.driver.find_elements(By.CSS_SELECTOR, 'input[type="file"]'), "upload")
    chosen[0].send_keys(str(bundled_folder() / "logs" / "trials_hunting.csv"))
    told = look.wait_text("What was recognised")
    assert "rpm" in told
    assert len(look.option(".tall")["series"][0]["data"]) > 1000


def test_a_bad_log_is_told_in_plain_words(look: Look, tmp_path_factory: pytest.TempPathFactory) -> None:
    bad = tmp_path_factory.mktemp("bad") / "bad.csv"
    bad.write_bytes(bytes(range(256)) * 40)
    look.tab("Log")
    look.wait_text("A recorded log")
    chosen = wait_for(lambda: look.driver.find_elements(By.CSS_SELECTOR, 'input[type="file"]'), "upload")
    chosen[0].send_keys(str(bad))
    told = look.wait_text("Not taken in: bad.csv")
    assert "Traceback" not in told
    assert "allowed" in told


def test_start_is_played_and_curves_are_edited(look: Look) -> None:
    look.tab("Cold start")
    look.press("Start it")
    wait_for(lambda: look.driver.find_elements(By.CSS_SELECTOR, ".tall canvas"), "the chart")
    points = wait_for(lambda: look.option(".tall")["series"][0]["data"], "it is being played")
    assert points[-1][0] < 240.0
    look.press("all at once")
    told = look.wait_text("It runs")
    assert re.search(r"It runs [\d.]+ s after cranking begins", told)
    assert look.option(".tall")["series"][0]["data"][-1][0] == 240.0
    look.fill("Base curve, steps at 0", "900")
    look.wait_text("too large (900)")
    look.fill("Base curve, steps at 0", "48")  # it may have been drawn anew
    look.wait_text("changes not saved")
    fade = "After-start air, decays over, seconds"
    look.fill(fade, "5")
    look.press("Propose curves")
    look.press("Take the proposal")
    told = look.wait_text("after-start air decays over 5 -> 10 s")
    assert "meet all targets at" in told
    wait_for(lambda: look.field(fade).get_attribute("value") == "5", "the fade is not taken yet")
    look.driver.execute_script(
        "[...document.querySelectorAll('button')]"
        ".filter(one => one.innerText.trim() == 'Take the proposal')[2].click()"
    )
    wait_for(lambda: look.field(fade).get_attribute("value") == "10", "air is taken with its fade")
    look.press("Take all three")
    first = "Base curve, temperature 1"
    wait_for(lambda: look.field(first).get_attribute("value") == "-20", "the others too")
    air = "After-start air, steps at 0"
    proposed = re.search(r"\n0 (\d+) \d+\n", told[told.index("\nAfter-start air\n") :])
    assert proposed, told
    wait_for(lambda: look.field(air).get_attribute("value") == proposed[1], "the proposal's air is taken")


def test_the_model_is_a_page_of_its_own(look: Look) -> None:
    link = look.driver.find_element(By.LINK_TEXT, "The model: its relations and their sources")
    look.driver.get(str(link.get_attribute("href")))
    told = look.wait_text("NACA Report 1135")
    assert "flow_parameter" in told
    assert "tests/published/test_air.py" in told


def test_sheet_is_seen_with_its_cautions(look: Look) -> None:
    look.tab("Sheet")
    look.wait_text("Exhaust gas kills")
    look.press("Make the sheet")
    look.button("Download PDF")
    frame = wait_for(lambda: look.driver.find_elements(By.ID, "sheet-preview"), "preview of the sheet")
    look.driver.switch_to.frame(frame[0])
    told = look.text()
    look.driver.switch_to.default_content()
    assert "Before anything else" in told
    assert "integral gain" in told
