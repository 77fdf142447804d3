"""Logs of foreign engines whose truth is known: never wrong and sure; the bench does it on all of them."""

from __future__ import annotations

import pytest

from tests.diagnosis_truth import BUILDING, log_at, logs_of, verdicts_on
from tests.foreign_logs import HUNTS, NOT


def test_a_few_logs_of_known_truth_are_never_judged_wrong() -> None:
    verdicts = [said for number, one in logs_of(BUILDING, (9,)) for said in verdicts_on(one, number)]
    assert [one for one in verdicts if one.wrong] == []
    said = {one.answer for one in verdicts if one.truth == one.answer}
    assert said == {HUNTS, NOT}, "something is said"


@pytest.mark.parametrize(
    ("first_seed", "number"),
    [
        (22501, 116),  # a torque that swings, told as a load that cycles: its sides follow within 4 s
        (23501, 364),  # a busy valve in step with the swing, told as irregular
        (25501, 42),  # fine moves that make most of the swing, told as none
        (27501, 183),  # moves after blips, of like size, taken for a hand's
        (27501, 376),  # long moves that follow a torque which swings
        (29501, 114),  # a load that goes, told as a leak: speed and pressure go apart
        (29501, 182),  # air of a hunt beside that of a hold, told as a lost position
        (30501, 416),  # a pure wave of which the moves make a seventh
        (34501, 414),  # roughness of three periods with the valve still, told as a swing not the valve's
        (37501, 284),  # fine moves whose part is not understood, told as chasing roughness
        (38501, 378),  # a throttle a little open while driving, told as a leak
        (38501, 466),  # a valve that cycles at another period than a torque which swings
        (39501, 353),  # a swing of 19 rpm with the valve still
        (41501, 246),  # a pure wave that the valve answers in step
        (33501, 36),  # pressure against six moves, air with them, told as a reversed valve
    ],
)
def test_logs_once_misjudged_are_not_judged_wrong_again(first_seed: int, number: int) -> None:
    assert [one for one in verdicts_on(log_at(first_seed, number), number) if one.wrong] == []


@pytest.mark.parametrize(("first_seed", "number"), [(8501, 424), (8501, 407), (8501, 427)])
def test_a_great_swing_with_long_moves_each_undoing_the_one_before_hunts(
    first_seed: int, number: int
) -> None:
    said = list(verdicts_on(log_at(first_seed, number), number))
    assert {one.truth for one in said} == {HUNTS}
    assert all(one.answer == HUNTS for one in said if one.group.startswith("valve, 5"))
