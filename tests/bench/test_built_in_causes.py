"""Causes named against causes built in, some ten minutes of one core.

Run with ``python -m pytest -m bench tests/bench/test_built_in_causes.py``.
"""

from __future__ import annotations

from collections import Counter

import pytest

from tests.bench.telling import show
from tests.built_in_causes import CAUSES, built_cars

pytestmark = pytest.mark.bench

EACH, SEED = 6, 5
SAID = ("by_theory", "by_switching")


def test_what_is_named_is_what_was_built_in(capsys: pytest.CaptureFixture[str]) -> None:
    found = built_cars(EACH, SEED)
    for cause in CAUSES:
        of = [one for one in found if one.cause == cause]
        theory, switching = (Counter(getattr(one, name) for one in of) for name in SAID)
        show(capsys, f"{cause}: {len(of)} cars; theory {theory}, switching off {switching}")
    share = {
        "theory": sum(one.by_theory == one.cause for one in found) / len(found),
        "switching": sum(one.by_switching == one.cause for one in found) / len(found),
        "always resolution": sum(one.cause == "resolution" for one in found) / len(found),
    }
    show(capsys, f"{len(found)} cars: {share}")
    assert share["switching"] > share["always resolution"]
