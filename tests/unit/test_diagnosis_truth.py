"""Logs of foreign engines whose truth is known: never wrong and sure; the bench does it on all of them."""

from __future__ import annotations

from tests.diagnosis_truth import BUILDING, logs_of, verdicts_on
from tests.foreign_logs import HUNTS, NOT


def test_a_few_logs_of_known_truth_are_never_judged_wrong() -> None:
    verdicts = [said for number, one in logs_of(BUILDING, (9,)) for said in verdicts_on(one, number)]
    assert [one for one in verdicts if one.wrong] == []
    said = {one.answer for one in verdicts if one.truth == one.answer}
    assert said == {HUNTS, NOT}, "something is said"
