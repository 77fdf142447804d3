"""How a benchmark tells what it measured."""

from __future__ import annotations

import sys

import pytest


def show(capsys: pytest.CaptureFixture[str], text: str) -> None:
    """Print past pytest's capture."""
    with capsys.disabled():
        sys.stdout.write(f"\n{text}\n")
