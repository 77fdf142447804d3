"""How many pages something takes on paper."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path


def pages_of(pdf: Path) -> int:
    """Pages of a PDF, counted from its page objects (ISO 32000-1, 7.7.3.3)."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes()))


def printed_by_browser(html: Path, folder: Path) -> Path:
    """Print an HTML file as Chromium does by itself: the file's own paper size and margins."""
    pdf = folder / f"{html.stem}-printed.pdf"
    words = ("--headless=new", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer")
    subprocess.run(
        ["/usr/bin/chromium", *words, f"--print-to-pdf={pdf}", html.resolve().as_uri()],
        check=True, capture_output=True, timeout=120.0,
    )  # fmt: skip
    return pdf
