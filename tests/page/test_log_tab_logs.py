"""Logs dropped on the page: only what can be read is kept, and each can be removed again."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from selenium.webdriver.common.by import By

from sim.files import bundled_folder
from tests.page.browsing import Look, wait_for

pytestmark = pytest.mark.browser
FILE = 'input[type="file"]'


def drop(look: Look, path: Path) -> None:
    """Give the page a log."""
    chosen = wait_for(lambda: look.driver.find_elements(By.CSS_SELECTOR, FILE), "upload")
    chosen[0].send_keys(str(path))


def test_a_log_that_cannot_be_read_is_told_and_gone(look: Look, tmp_path: Path) -> None:
    empty, good = tmp_path / "empty.csv", tmp_path / "good.csv"
    empty.write_bytes(b"")
    shutil.copyfile(bundled_folder() / "logs" / "trials_hunting.csv", good)
    look.tab("Log")
    look.wait_text("No log has been read yet.")
    drop(look, good)
    look.wait_text("good.csv: 60 s idling; while idling: hunting throughout.")
    drop(look, empty)
    told = look.wait_text("Not taken in: empty.csv is empty")
    assert "It hunts" not in told, "nothing of the log before stands below"
    removed = [
        one.get_attribute("aria-label")
        for one in look.driver.find_elements(By.CSS_SELECTOR, '[aria-label^="Remove "]')
    ]
    assert removed == ["Remove good.csv"], "what cannot be read is not kept"
    look.driver.find_element(By.CSS_SELECTOR, '[aria-label="Remove good.csv"]').click()
    look.wait_text("No log has been read yet.")
