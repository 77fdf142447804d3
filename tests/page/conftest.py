"""One server and one browser for all tests of the page."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.page.browsing import LAPTOP, COMPILING_s, Look, Served, chromium, resize, serve


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
def ready(only_browser: Look, served: Served) -> Look:
    """The browser once the page answers: the first look after an edit waits for compiling."""
    only_browser.open(served.address)
    only_browser.wait_text("starting condition", COMPILING_s)
    return only_browser


@pytest.fixture
def look(ready: Look, served: Served) -> Look:
    """The browser, at a new piece of work on a laptop's screen."""
    resize(ready.driver, LAPTOP)
    ready.open(served.address)
    return ready
