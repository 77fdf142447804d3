"""The report of the demonstration needs no network and prints on ten pages at most, two of them the sheet."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By

from tests.command.running import run
from tests.page.browsing import Look
from tests.page.printed import pages_of, printed_by_browser

pytestmark = pytest.mark.browser

MOST_PAGES = 10


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything that the demonstration writes."""
    folder = tmp_path_factory.mktemp("demo")
    outcome = run("demo", "--out", folder, "--quiet")
    assert outcome.status == 0, outcome.err
    return folder


def test_the_report_fits_ten_pages(demo: Path, tmp_path: Path) -> None:
    counted = {
        "report.pdf": pages_of(demo / "report.pdf"),
        "report.html": pages_of(printed_by_browser(demo / "report.html", tmp_path)),
    }
    assert all(6 <= count <= MOST_PAGES for count in counted.values()), counted


def test_the_report_opens_with_the_network_off(demo: Path, only_browser: Look) -> None:
    driver = only_browser.driver
    driver.get("about:blank")
    only_browser.asked_for()
    only_browser.complaints()
    away = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    driver.execute_cdp_cmd("Network.enable", {})
    driver.execute_cdp_cmd("Network.emulateNetworkConditions", away)
    try:
        driver.get((demo / "report.html").as_uri())
        shown = driver.execute_script(
            "return [...document.images].map(one => one.complete && one.naturalWidth > 100)"
        )
        captions = driver.execute_script(
            "return [...document.querySelectorAll('figure')].map(one => one.innerText.trim())"
        )
        assert len(shown) >= 8
        assert all(shown)
        scales = "const at = document.querySelector('figure img'); return at.getBoundingClientRect().width"
        width = driver.execute_script(scales)
        frame = driver.find_element(By.CSS_SELECTOR, "figure .zoom")
        ActionChains(driver).double_click(frame).perform()
        assert driver.execute_script(scales) == pytest.approx(2.5 * width), "a chart is enlarged"
        frame.send_keys("-", "-", "-")
        assert driver.execute_script(scales) == pytest.approx(width)
        assert all(re.match(r"[A-Z].*[.:]$", one) for one in captions), captions
        assert only_browser.asked_for() == {(demo / "report.html").as_uri()}
        assert only_browser.complaints() == []
    finally:
        driver.execute_cdp_cmd("Network.emulateNetworkConditions", {**away, "offline": False})
