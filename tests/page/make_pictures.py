"""Makes the pictures of the page that README.md shows: python -m tests.page.make_pictures.

Real work in a real browser: the explorer, a search that has ended, and a cold start.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.page.browsing import Look, chromium, resize, serve, wait_for
from tests.source_tree import ROOT

FOLDER = ROOT / "workbench" / "pictures"
SIZE = (1366, 768)
LARGEST_BYTES = 200_000


def keep(look: Look, name: str) -> Path:
    """Write what is seen now as a small PNG."""
    wait_for(lambda: "Going on" not in look.text(), "nothing goes on")
    path = FOLDER / f"{name}.png"
    FOLDER.mkdir(exist_ok=True)
    path.write_bytes(look.driver.get_screenshot_as_png())
    assert path.stat().st_size <= LARGEST_BYTES, f"{path}: {path.stat().st_size} bytes"
    return path


def main() -> None:
    """Make all three."""
    with tempfile.TemporaryDirectory() as folder:
        server = serve(Path(folder))
        driver = chromium(SIZE)
        look = Look(driver)
        try:
            look.open(server.address)
            resize(driver, SIZE)
            look.press("Look at the example")
            look.wait_text("Likely cause")
            look.wait_text("Diamond: your settings")
            keep(look, "page-explore")
            look.tab("Find settings")
            look.press("Search")
            look.wait_text("Use the proposed settings", 300.0)
            driver.execute_script("window.scrollTo(0, 0)")
            keep(look, "page-settings")
            look.tab("Cold start")
            look.press("all at once")
            look.press("Start it")
            look.wait_text("It runs")
            driver.execute_script("window.scrollTo(0, 90)")
            keep(look, "page-start")
        finally:
            driver.quit()
            server.process.terminate()
            server.process.wait(20)


if __name__ == "__main__":
    main()
