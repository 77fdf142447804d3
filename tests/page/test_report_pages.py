"""The report of the demonstration needs no network and prints on twelve pages at most."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.command.running import run
from tests.page.browsing import Look
from tests.page.printed import pages_of, printed_by_browser

pytestmark = pytest.mark.browser

MOST_PAGES = 12


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything that the demonstration writes."""
    folder = tmp_path_factory.mktemp("demo")
    outcome = run("demo", "--out", folder, "--quiet")
    assert outcome.status == 0, outcome.err
    return folder


def test_the_report_fits_twelve_pages(demo: Path, tmp_path: Path) -> None:
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
        scripts = driver.execute_script("return document.scripts.length")
        captions = driver.execute_script(
            "return [...document.querySelectorAll('figure')].map(one => one.innerText.trim())"
        )
        assert len(shown) >= 10
        assert all(shown)
        assert scripts == 0
        assert all(re.match(r"[A-Z].*[.:]$", one) for one in captions), captions
        assert only_browser.asked_for() == {(demo / "report.html").as_uri()}
        assert only_browser.complaints() == []
    finally:
        driver.execute_cdp_cmd("Network.emulateNetworkConditions", {**away, "offline": False})
