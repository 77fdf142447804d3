"""A real Chromium looking at a real server: how the tests of the page start and use both."""

from __future__ import annotations

import http.client
import json
import re
import socket
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import files
from pathlib import Path
from typing import Any, TypeVar

from selenium import webdriver
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement

from tests.command.running import surroundings, words

LAPTOP, PHONE = (1366, 768), (390, 844)
LONGEST_WAIT_s = COMPILING_s = 300.0
"""Beyond this something is wrong, however busy the machine, and where nothing is compiled yet [s]."""
T = TypeVar("T")


@dataclass(frozen=True)
class Served:
    """A server of the page.

    Attributes
    ----------
    port : int
        Its port.
    process : subprocess.Popen
        Its process.
    folder : Path
        Where it was started.
    """

    port: int
    process: subprocess.Popen[bytes]
    folder: Path

    @property
    def address(self) -> str:
        """Where a new piece of work begins, as the server printed it."""
        found = re.search(r"http://\S+", (self.folder / "server.log").read_text())
        assert found, "no address was printed"
        return found[0]

    def cookie(self) -> str:
        """What a browser keeps that was there."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=LONGEST_WAIT_s)
        line.request("GET", self.address.partition(str(self.port))[2])
        kept = line.getresponse().getheader("Set-Cookie") or ""
        line.close()
        return kept.partition(";")[0]


def free_port() -> int:
    """A port that nobody has."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def serve(folder: Path, port: int | None = None, state: Path | None = None) -> Served:
    """Start ``evenidle page`` and wait until it answers, on a port that nobody has if not told.

    What is not saved is kept in a folder of its own, beside that in which it was started.
    """
    port = port or free_port()
    # The page's library behaves otherwise where it believes to be under test.
    around = {k: v for k, v in surroundings().items() if not k.startswith("PYTEST")}
    around["XDG_STATE_HOME"] = str(state or folder.with_name(f"{folder.name}-state"))
    with (folder / "server.log").open("wb") as log:
        process = subprocess.Popen(
            words("page", "--port", port, "--no-show"),
            cwd=folder, env=around, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
        )  # fmt: skip
    until = time.monotonic() + LONGEST_WAIT_s
    while time.monotonic() < until and process.poll() is None:
        with socket.socket() as probe:
            printed = "http://" in (folder / "server.log").read_text()
            if printed and probe.connect_ex(("127.0.0.1", port)) == 0:
                return Served(port, process, folder)
        time.sleep(0.05)
    raise AssertionError((folder / "server.log").read_text())


def chromium(size: tuple[int, int] = LAPTOP) -> webdriver.Chrome:
    """Start a browser that keeps a log of everything it asks for."""
    options = Options()
    options.binary_location = "/usr/bin/chromium"
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    resize(driver, size)
    return driver


def resize(driver: webdriver.Chrome, size: tuple[int, int]) -> None:
    """Give the page the size of a screen."""
    width, height = size
    measures = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", measures)


def wait_for(what: Callable[[], T], told: str, longest_s: float = LONGEST_WAIT_s) -> T:
    """Wait until something holds, and give it back."""
    until = time.monotonic() + longest_s
    while True:
        found: T | None
        try:
            found = what()
        except (NoSuchElementException, StaleElementReferenceException):
            found = None  # drawn anew just now: looked at again
        if found:
            return found
        if time.monotonic() > until:
            raise AssertionError(f"waited {longest_s:.0f} s in vain: {told}")
        time.sleep(0.05)


class Look:
    """What somebody sees and does on the page.

    Parameters
    ----------
    driver : webdriver.Chrome
        The browser.
    """

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver

    def open(self, address: str) -> None:
        """Go there and wait until the first chart is drawn."""
        self.driver.get(address)
        self.wait_text("Explore")

        def drawn() -> bool:
            found = self.driver.find_elements(By.CSS_SELECTOR, "section.shown .big")
            return bool(found and found[0].text)

        # Before, keys may be pressed to which the server does not listen yet.
        wait_for(drawn, "the first idle", COMPILING_s)

    def text(self) -> str:
        """All text that is seen."""
        return self.driver.find_element(By.TAG_NAME, "body").text

    def wait_text(self, text: str, longest_s: float = LONGEST_WAIT_s) -> str:
        """Wait until a text is seen; gives all text."""

        def seen() -> str:
            told = self.text()
            return told if text in told else ""

        return wait_for(seen, text, longest_s)

    def tab(self, name: str) -> None:
        """Open a tab."""
        tabs = self.driver.find_elements(By.CSS_SELECTOR, ".q-tab")
        next(one for one in tabs if one.text.strip() == name).click()

    def button(self, text: str) -> WebElement:
        """A button that is seen, by its text."""

        def seen() -> WebElement | None:
            for one in self.driver.find_elements(By.CSS_SELECTOR, "button, .q-btn"):
                if one.is_displayed() and one.text.strip() == text:
                    return one
            return None

        return wait_for(seen, f"button {text}")  # type: ignore[return-value] # waited until there

    def press(self, text: str) -> None:
        """Press a button, once it is at rest: the browser aims first and presses then."""
        seen: list[float] = []

        def at_rest() -> WebElement | None:
            button = self.button(text)
            self.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
            seen.append(self.height_of(button))
            return button if seen[-2:] == [seen[-1]] * 2 else None

        found = wait_for(at_rest, f"button {text} at rest")
        assert found is not None
        found.click()

    def height_of(self, one: WebElement) -> float:
        """How far down the page something is [px]."""
        script = "return arguments[0].getBoundingClientRect().top + window.scrollY"
        return float(self.driver.execute_script(script, one))

    def slide(self, key: str, arrow: str, times: int = 1) -> None:
        """Move a slider by the keyboard."""
        found = self.driver.find_element(By.CSS_SELECTOR, f'[data-key="{key}"] [tabindex="0"]')
        found.send_keys(*[arrow] * times)

    def tick(self, text: str) -> None:
        """Tick a box by its text."""
        path = f'//div[contains(@class, "q-checkbox") and .//div[text()="{text}"]]'
        self.driver.find_element(By.XPATH, path).click()

    def field(self, label: str) -> WebElement:
        """A text field by its label."""
        path = f'//*[@aria-label="{label}"]'
        return wait_for(lambda: self.driver.find_elements(By.XPATH, path), label)[0]

    def fill(self, field: WebElement | str, text: str) -> None:
        """Replace what stands in a field; one given by its label is looked up anew if it was drawn anew."""

        def filled() -> bool:
            at = self.field(field) if isinstance(field, str) else field
            at.send_keys(Keys.CONTROL, "a")
            at.send_keys(text)
            return True

        wait_for(filled, f"filling {field}")

    def option(self, css: str) -> dict[str, Any]:
        """Options of a chart as the browser has them."""
        script = (
            "const at = document.querySelector(arguments[0]);"
            "return JSON.stringify(getElement(Number(at.id.slice(1))).chart.getOption())"
        )
        return dict(json.loads(self.driver.execute_script(script, css)))

    def asked_for(self) -> set[str]:
        """Addresses that the browser asked for since last looked, data within the page left out."""
        found = set()
        for entry in self._log("performance"):
            told = json.loads(entry["message"])["message"]
            if told["method"] == "Network.requestWillBeSent":
                found.add(str(told["params"]["request"]["url"]))
            if told["method"] == "Network.webSocketCreated":
                found.add(str(told["params"]["url"]))
        return {one for one in found if not one.startswith(("data:", "blob:", "about:"))}

    def _log(self, kind: str) -> list[dict[str, Any]]:
        return list(self.driver.get_log(kind))  # type: ignore[no-untyped-call] # selenium's own

    def faults(self) -> list[str]:
        """Faults of what is seen now that are moderate or worse, as axe-core finds them."""
        name = "axe-selenium-python"  # it brings axe-core's one script with it
        (script,) = (one for one in files(name) or [] if one.name == "axe.min.js")
        self.driver.execute_script(script.read_text())
        found = self.driver.execute_async_script(
            "const done = arguments[arguments.length - 1];"
            "axe.run(document, {iframes: false})"
            ".then(r => done(r.violations), e => done(String(e)))"
        )
        assert isinstance(found, list), found
        return [
            f"{one['id']}: {node['html'][:160]}"
            for one in found
            if one["impact"] in ("moderate", "serious", "critical")
            for node in one["nodes"]
        ]

    def complaints(self) -> list[str]:
        """Errors in the browser's console since last looked."""
        return [str(one["message"]) for one in self._log("browser") if one["level"] == "SEVERE"]
