"""The settings sheet fits two printed pages, from the PDF and from the HTML file alike."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.command.running import run
from tests.page.printed import pages_of, printed_by_browser

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("name", ["six"])  # the longest of the three; all three fit
def test_the_sheet_fits_two_pages(name: str, tmp_path: Path) -> None:
    pdf, html = tmp_path / "sheet.pdf", tmp_path / "sheet.html"
    for path in (pdf, html):
        assert run("sheet", name, "--out", path).status == 0
    assert 1 <= pages_of(pdf) <= 2
    assert 1 <= pages_of(printed_by_browser(html, tmp_path)) <= 2
