"""Readers give a result or a named error on damaged inputs, soon and without growing."""

from __future__ import annotations

import os

import pytest

pytestmark = pytest.mark.skipif(os.name != "posix", reason="no measure of memory there")


def test_damaged_inputs_are_read_or_refused() -> None:
    """Two thousand here; ``python -m tests.fuzz 100000`` does as many as are wanted."""
    from tests.fuzz import fuzz

    told = fuzz(2000, seed=7)
    assert sum(told.read.values()) + sum(told.refused.values()) == 2000
    for what in ("columns", "scenario", "car", "log", "MDF"):
        assert told.refused.get(what, 0) > 0, told
    assert sum(told.read.values()) > 100, told
