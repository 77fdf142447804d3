"""One server and one browser for all tests of the page."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.page.browsing import COMPILING_s, LAPTOP, Look, Served, chromium, resize, serve


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server; it has ended when the tests have."""
    one = serve(tmp_path_factory.mktemp("served"))
    yield one
    one.process.terminate()
    one.process.wait(20)


@pytest.fixture(scope="session")
def only_browser() -> Iterator[Look]:
    """A browser; it has ended when the tests have."""
    driver = chromium()
    yield Look(driver)
    driver.quit()


@pytest.fixture(scope="session")
def compiled(only_browser: Look, served: Served) -> None:
    """The page answers: the first look after an edit waits until all is compiled."""
    only_browser.open(served.address)
    only_browser.wait_text("starting places", COMPILING_s)


@pytest.fixture
def look(only_browser: Look, served: Served, compiled: None) -> Look:
    """The browser, at a new piece of work on a laptop's screen."""
    resize(only_browser.driver, LAPTOP)
    only_browser.open(served.address)
    return only_browser
