"""The explanation against simulation on 1,000 random cars, some ten minutes of one core.

Run with ``python -m pytest -m bench tests/bench/test_explanation_accuracy.py``.

The cycle is predicted from engine, settings and starting place alone, on a seed that nothing was
set on.  Measured on 28 November 2026 on the first 200 of another such seed (303): 112 hunt, the
period is within 5 % in 87.5 %.  What is left are mostly slow updates (300 to 500 ms), where one
update more or less makes another pattern, and moves larger than the minimum.  Nearly all of these
cars hunt by the valve's resolution, so that naming it always would be as good: causes are measured
in ``test_built_in_causes.py``.
"""

from __future__ import annotations

import pytest

from tests.explain_accuracy import accuracy
from tests.random_idle_cars import random_idles

pytestmark = pytest.mark.bench


def test_a_thousand_cars() -> None:
    found = accuracy(random_idles(1000, 29), 12)
    assert found.mean_chance_error <= 0.05, str(found)
    assert found.swing_share >= 0.90, str(found)
    assert found.period_share >= 0.80, str(found)
    assert found.agreed_share >= 0.95, str(found)
