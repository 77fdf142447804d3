"""Work on the page lasts, stays apart, is saved with care, and asks nothing of anybody else."""

from __future__ import annotations

import re
import shutil
import time
from pathlib import Path

import pytest
from selenium.webdriver.common.keys import Keys

from sim import load_car
from sim.files import bundled_folder
from tests.page.browsing import PHONE, Look, Served, resize, serve, wait_for
from workbench.page.frame import TABS
from workbench.words.facts import FACTS

pytestmark = pytest.mark.browser


def children(pid: int) -> set[int]:
    """Processes that a process has started and that run."""
    found = set()
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                after = (folder / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue  # it has just ended
            if int(after[1]) == pid and after[0] != "Z":
                found.add(int(folder.name))
    return found


def test_a_search_outlives_a_reload_and_stops_with_its_best(look: Look, served: Served) -> None:
    look.tab("Find settings")
    look.wait_text("Search settings")
    before = children(served.process.pid)
    look.press("Search")
    look.wait_text("Best so far: law")
    started = children(served.process.pid) - before
    assert len(started) == 1, "the search has a process of its own"
    look.driver.refresh()
    look.wait_text("Searching:")
    assert started <= children(served.process.pid), "the reload has not disturbed it"
    look.wait_text("Best so far: law")
    look.press("Stop and keep the best")
    told = look.wait_text("On fresh cars the best of them swings")
    assert "Use the proposed settings" in told.replace("USE", "Use")
    wait_for(lambda: not started & children(served.process.pid), "the process has ended")
    (first, second) = (look.option(".halves .card:nth-child(2) .chart")["series"][i] for i in (0, 2))
    assert first["data"] != second["data"]
    look.press("Use the proposed settings")
    look.wait_text("changes not saved: 'Save as' keeps them")


def test_two_tabs_do_their_own_work(look: Look, served: Served) -> None:
    driver = look.driver
    first = driver.current_window_handle
    before = children(served.process.pid)
    look.slide("deadband_rpm", Keys.ARROW_RIGHT, 5)
    look.wait_text("30 rpm")
    look.press("Tell me this cycle")
    wait_for(lambda: children(served.process.pid) - before, "its job")
    driver.switch_to.new_window("tab")
    try:
        look.open(served.address)
        assert "25 rpm" in look.wait_text("starting condition")
        look.tab("Sheet")
        look.press("Make the sheet")
        wait_for(
            lambda: len(children(served.process.pid) - before) == 2 or "PDF" in look.text(),
            "each has its own job",
        )
        look.button("Download PDF")
    finally:
        driver.close()
        driver.switch_to.window(first)
    told = look.wait_text("First cause")
    assert "30 rpm" in told


def test_a_stopped_job_is_gone(look: Look, served: Served) -> None:
    look.tab("Log")
    look.press("a recording to fit")
    look.wait_text("What was recognised")
    before = children(served.process.pid)
    look.press("Fit the model")
    look.wait_text("Fitting:")
    started = wait_for(lambda: children(served.process.pid) - before, "its process")
    look.press("Stop")
    look.wait_text("Stopped.")
    wait_for(lambda: not started & children(served.process.pid), "the process has ended", 30.0)


def test_what_was_found_belongs_to_its_car(look: Look, served: Served) -> None:
    look.press("Tell me this cycle")
    look.wait_text("First cause")
    look.slide("min_move_steps", Keys.ARROW_LEFT)
    look.wait_text("it has been changed since")
    look.slide("min_move_steps", Keys.ARROW_RIGHT)
    wait_for(lambda: "it has been changed since" not in look.text(), "the car as it was")
    look.tab("Find settings")
    look.wait_text("Search settings")
    before = children(served.process.pid)
    look.press("Search")
    started = wait_for(lambda: children(served.process.pid) - before, "its process")
    look.wait_text("Best so far: law")
    look.press("Open a car")
    look.press("twin")
    wait_for(lambda: not started & children(served.process.pid), "the search has ended", 30.0)
    wait_for(lambda: "Best so far" not in look.text(), "nothing of it is left")
    look.tab("Explore")
    look.wait_text("Likely cause")
    assert "First cause" not in look.text()
    driver = look.driver
    address, first = driver.current_url, driver.current_window_handle
    driver.switch_to.new_window("tab")
    try:
        look.open(address)
        look.press("Open a car")
        look.press("six")
        wait_for(lambda: "twin" not in look.text(), "the other car")
    finally:
        driver.close()
        driver.switch_to.window(first)
    wait_for(lambda: "twin" not in look.text(), "the same work shows the same car")


def open_car(look: Look, path: Path) -> None:
    """Open a car file of one's own."""
    look.press("Open a car")
    look.wait_text("No car file yet? 'New car' asks for a few facts")
    look.fill("or a car file on this machine", str(path))
    look.press("Open")


def test_an_owner_without_a_file_describes_the_car(
    look: Look, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("cars") / "own.toml"
    look.press("New car")
    told = look.wait_text("Describe a new car")
    assert told.index("carbon monoxide has no smell") < told.index("To count the travel")
    for fact in FACTS.values():
        assert fact.question in told, "what the command asks"
    look.fill(FACTS["displacement_cm3"].question, "1300")
    look.fill(FACTS["cylinders"].question, "4.5")
    look.wait_text('not a whole number ("4.5"), allowed: 1 to 12')
    look.fill("file to make of it, such as mycar.toml", str(path))
    look.press("Make the car file")
    look.wait_text('cylinders: not a whole number ("4.5")')
    assert not path.exists()
    look.fill(FACTS["cylinders"].question, "4")
    told = look.wait_text("So far: warm it idles at ")
    assert re.search(r"on \d+ steps, \d+ rpm a step\.", told), "what it comes to, before it is made"
    look.press("Make the car file")
    look.wait_text("own.toml; no changes")
    assert load_car(path).car.basis == "guessed"
    assert not load_car(path).valve.travel_counted


def test_changes_go_into_the_owners_file_when_asked_and_outlive_the_server(
    look: Look, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("cars") / "mine.toml"
    shutil.copyfile(bundled_folder() / "cars" / "trials.toml", path)
    original, backup = path.read_text(), path.with_name("mine.toml.bak")
    open_car(look, path.with_name("gone.toml"))
    look.wait_text("gone.toml: file: not found")
    look.press("Cancel")
    open_car(look, path)
    look.wait_text("mine.toml; no changes")
    look.slide("deadband_rpm", Keys.ARROW_RIGHT, 4)
    look.wait_text("mine.toml; changes not saved")
    time.sleep(2.5)  # nothing is written by waiting either
    assert path.read_text() == original
    assert not backup.exists()
    look.press("Save")
    look.wait_text("mine.toml; saved, as it was before in mine.toml.bak")
    assert load_car(path).feedback.deadband_rpm == 29.0
    assert backup.read_text() == original
    look.driver.refresh()
    assert "29 rpm" in look.wait_text("starting condition"), "the work outlives a reload"

    state = tmp_path_factory.mktemp("state")
    other = serve(tmp_path_factory.mktemp("first"), state=state)
    try:
        look.open(other.address)
        open_car(look, path)
        look.wait_text("mine.toml; no changes")
        look.slide("deadband_rpm", Keys.ARROW_RIGHT, 2)
        look.wait_text("31 rpm")
        other.process.terminate()
        assert other.process.wait(20) is not None
    finally:
        other.process.kill()
    assert load_car(path).feedback.deadband_rpm == 29.0, "the file is left alone"
    again = serve(tmp_path_factory.mktemp("again"), state=state)
    try:
        look.open(again.address)
        look.press("Open a car")
        look.wait_text("not saved when the page was closed")
        draft = look.driver.find_element("xpath", '//button[contains(., "mine, 20")]')
        draft.click()
        look.wait_text("mine.toml; changes not saved")
        look.wait_text("31 rpm")
        look.press("Save")
        look.wait_text("mine.toml; saved")
        assert load_car(path).feedback.deadband_rpm == 31.0
    finally:
        again.process.terminate()
        again.process.wait(20)


def test_two_pages_of_one_work_show_the_same(look: Look) -> None:
    driver = look.driver
    first = driver.current_window_handle
    look.slide("deadband_rpm", Keys.ARROW_RIGHT, 3)
    look.wait_text("28 rpm")
    address = driver.current_url
    driver.switch_to.new_window("tab")
    try:
        look.open(address)
        look.wait_text("28 rpm")
        look.slide("deadband_rpm", Keys.ARROW_RIGHT, 4)
        look.wait_text("32 rpm")
        driver.switch_to.window(first)
        look.wait_text("32 rpm")
        wait_for(lambda: band_rpm(look) == 64.0, "drawn too")
    finally:
        driver.switch_to.window(next(one for one in driver.window_handles if one != first))
        driver.close()
        driver.switch_to.window(first)


def band_rpm(look: Look) -> float:
    """Width of the deadband as it is drawn."""
    (band,) = look.option(".runs")["series"][0]["markArea"]["data"]
    return float(band[1]["yAxis"] - band[0]["yAxis"])


def test_the_idle_is_drawn_however_late_its_chart_is_put_up(look: Look, served: Served) -> None:
    driver = look.driver
    for _ in range(3):
        driver.execute_cdp_cmd("Emulation.setCPUThrottlingRate", {"rate": 12})
        try:
            look.open(served.address)
            wait_for(lambda: driver.find_elements("css selector", ".runs canvas"), "the chart")
            wait_for(lambda: len(look.option(".runs")["series"][0]["data"]) > 100, "the speed")
        finally:
            driver.execute_cdp_cmd("Emulation.setCPUThrottlingRate", {"rate": 1})


def test_no_pressure_of_another_run_stands_below_a_run(look: Look) -> None:
    wait_for(lambda: look.option(".runs")["series"][2]["data"], "pressure follows")
    look.driver.execute_script(
        """const chart = getElement(Number(document.querySelector('.runs').id.slice(1))).chart;
        const set = chart.setOption.bind(chart);
        window.seen = [];
        let of = JSON.stringify(chart.getOption().series[2].data);
        chart.setOption = (given, how) => {
          set(given, how);
          const [speed, , pressure] = chart.getOption().series;
          const now = JSON.stringify(pressure.data);
          const fresh = given.series?.[0]?.data?.length > 0;
          if (fresh) window.seen.push(pressure.data.length === 0 || now !== of);
          of = now;
        };"""
    )
    look.slide("deadband_rpm", Keys.ARROW_RIGHT, 5)
    look.wait_text("30 rpm")
    wait_for(lambda: len(look.option(".runs")["series"][2]["data"]) > 100, "pressure again")
    seen = look.driver.execute_script("return window.seen")
    assert seen
    assert all(seen), "where speed is drawn anew, the pressure before is gone"


def test_what_somebody_else_has_written_is_left_alone(
    look: Look, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("cars") / "mine.toml"
    shutil.copyfile(bundled_folder() / "cars" / "trials.toml", path)
    open_car(look, path)
    look.wait_text("mine.toml; no changes")
    path.write_text("theirs")
    look.slide("deadband_rpm", Keys.ARROW_RIGHT, 1)
    look.wait_text("mine.toml; changes not saved")
    look.press("Save")
    look.wait_text("was changed by something else since")
    look.wait_text("mine.toml; changes not saved")
    assert path.read_text() == "theirs"
    look.press("Save as")
    field = look.field("new file, such as mycar.toml")
    field.send_keys(Keys.ENTER)
    look.wait_text("A name is needed")
    look.fill(field, str(path.with_name("new.toml")))
    field.send_keys(Keys.ENTER)
    told = look.wait_text("new.toml; no changes")
    assert "was changed by" not in told, "said no more once it is saved elsewhere"
    assert load_car(path.with_name("new.toml")).feedback.deadband_rpm == 26.0
    look.slide("deadband_rpm", Keys.ARROW_RIGHT, 1)
    look.wait_text("new.toml; changes not saved")
    look.press("Save")
    look.wait_text("new.toml; saved")
    assert load_car(path.with_name("new.toml")).feedback.deadband_rpm == 27.0
    shutil.copyfile(bundled_folder() / "cars" / "trials.toml", path.with_name("new.toml"))
    look.slide("deadband_rpm", Keys.ARROW_RIGHT, 1)
    look.wait_text("new.toml; changes not saved")
    look.press("Save")
    look.press("Read it again")
    told = look.wait_text("new.toml; no changes")
    assert "was changed by" not in told
    look.wait_text("25 rpm")


@pytest.mark.parametrize("tab", TABS)
def test_nothing_is_wider_than_a_phone(tab: str, look: Look) -> None:
    resize(look.driver, PHONE)
    look.tab(tab)
    time.sleep(0.5)
    wide, screen = look.driver.execute_script(
        "return [document.documentElement.scrollWidth, window.innerWidth]"
    )
    assert wide <= screen


def test_light_dark_and_units(look: Look) -> None:
    look.wait_text("90 °C")
    light = look.option(".runs")["series"][0]["color"]
    look.press("dark")
    wait_for(lambda: look.option(".runs")["series"][0]["color"] != light, "dark colours")
    look.driver.find_element("css selector", ".q-toggle").click()
    look.wait_text("194 °F")
    wait_for(lambda: "inHg" in look.option(".runs")["yAxis"][2]["name"], "unit of pressure")

    def pressures() -> list[float]:
        return [value for _, value in look.option(".runs")["series"][2]["data"]]

    wait_for(lambda: 5.0 < max(pressures(), default=0.0) < 15.0, "pressure in inHg")


def test_units_reach_all_that_is_told(look: Look) -> None:
    look.tab("Log")
    look.press("hunting")
    look.wait_text("What was recognised")
    look.wait_text(" kPa")
    assert look.option(".tall")["yAxis"][2]["name"] == "manifold [kPa]"
    look.tab("Sheet")
    look.press("Make the sheet")
    look.button("Download PDF")

    def sheet() -> str:
        look.driver.switch_to.frame(look.driver.find_element("id", "sheet-preview"))
        try:
            return look.text()
        finally:
            look.driver.switch_to.default_content()

    assert "coolant °C" in sheet()
    look.driver.find_element("css selector", ".q-toggle").click()
    wait_for(lambda: "coolant °F" in sheet(), "the sheet in degF")
    assert "outside ______ °F" in sheet()
    look.tab("Log")
    look.wait_text(" inHg")
    assert not re.search(r"\d ?kPa", look.text())
    assert look.option(".tall")["yAxis"][2]["name"] == "manifold [inHg]", "the chart too"
    look.tab("Cold start")
    assert "°F" in look.wait_text("Base curve")


def test_nothing_is_asked_of_another_machine(look: Look, served: Served) -> None:
    look.asked_for()  # other tests have asked other servers
    look.complaints()
    look.open(served.address)
    for tab in TABS:
        look.tab(tab)
        time.sleep(0.5)
    asked = look.asked_for()
    assert len(asked) > 10
    own = f"//127.0.0.1:{served.port}/"
    assert [one for one in asked if own not in one] == []
    assert look.complaints() == []
    names = {one.name for one in served.folder.iterdir()}
    assert names == {"server.log"}, "nothing is left where it was started"
    assert (served.folder / "server.log").stat().st_size < 500


def test_no_serious_fault_for_those_who_see_or_hear_otherwise(look: Look) -> None:
    look.wait_text("starting condition")
    found = []
    for dark in (False, True):
        if dark:
            look.press("dark")
        for tab in TABS:
            look.tab(tab)
            time.sleep(0.6)
            found += [f"{tab}: {fault}" for fault in look.faults()]
    assert found == []
