"""The explanation against simulation on 1,000 random cars, about five minutes of one core.

Run with ``python -m pytest -m bench tests/bench/test_explanation_accuracy.py``.
"""

from __future__ import annotations

import pytest

from tests.explain_accuracy import accuracy
from tests.random_idle_cars import random_idles

pytestmark = pytest.mark.bench


def test_a_thousand_cars() -> None:
    found = accuracy(random_idles(1000, 7), 12)
    assert found.mean_chance_error <= 0.05, str(found)
    assert found.swing_share >= 0.90, str(found)
    assert found.period_share >= 0.90, str(found)
    assert found.agreed_share >= 0.95, str(found)
