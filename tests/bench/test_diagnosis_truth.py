"""Diagnoses against known truth: 480 logs of engines of two other structures, three recordings of each.

Run with ``python -m pytest -m bench tests/bench/test_diagnosis_truth.py``; two minutes of one idle core.
Thresholds were set on the building half and others; the reporting half was looked at once (DEVELOPERS.md).
"""

from __future__ import annotations

import pytest

from tests.bench.telling import show
from tests.diagnosis_truth import BUILDING, REPORTING, logs_of, open_share, table, verdicts_on

pytestmark = pytest.mark.bench


@pytest.mark.parametrize("first_seed", [BUILDING, REPORTING])
def test_truth_against_verdict(first_seed: int, capsys: pytest.CaptureFixture[str]) -> None:
    verdicts = [said for number, one in logs_of(first_seed) for said in verdicts_on(one, number)]
    show(capsys, table(verdicts))
    wrong, built = [one for one in verdicts if one.wrong], first_seed == BUILDING
    assert len(wrong) <= (0 if built else 0.01 * len(verdicts)), wrong
    assert open_share(verdicts) <= (0.15 if built else 0.2)
