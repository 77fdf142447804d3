"""From the best few of a search to one: acceptance first, then the score, and pi before others."""

from __future__ import annotations

from collections.abc import Sequence
from operator import itemgetter

import numpy as np

from controllers import Feedback
from sim import load_car
from tuning.loop import first_order_plus_delay, usual_idle
from tuning.search.choice import choose, finalists
from tuning.search.compared import better, start_points
from tuning.search.judge import BUDGETS
from tuning.search.objective import Acceptance, Score, Weights
from tuning.search.space import Space, make_space

SPACE = make_space(load_car("trials"), ("pi", "pid"))
PI = SPACE.feedback("pi", SPACE.values_of(SPACE.car.feedback))


def changed(**values: object) -> Feedback:
    """The car's settings with some numbers replaced."""
    return PI.model_copy(update=values)


def test_trim_limits_alone_make_no_other_finalist() -> None:
    wide = changed(trim_limit_steps=(-24.0, 58.0))
    quick = changed(update_period_ms=300.0)
    assert finalists([(100.0, PI), (101.0, wide), (102.0, quick)], SPACE, 3) == [PI, quick]


def test_the_best_of_a_law_that_is_near_comes_in_and_of_one_that_is_far_does_not_first() -> None:
    pid = changed(law="pid", derivative_steps_s_per_100rpm=1.0)
    quick = changed(update_period_ms=300.0)
    near = [(100.0, PI), (101.0, quick), (109.0, pid)]
    assert finalists(near, SPACE, 2) == [PI, pid]
    far = [(100.0, PI), (101.0, quick), (120.0, pid)]
    assert finalists(far, SPACE, 2) == [PI, quick]


def test_leading_start_points_have_a_deadband_of_a_move_or_less() -> None:
    idle = usual_idle(SPACE.car)
    assert idle is not None
    model = first_order_plus_delay(idle.plant, 0.1)
    leads = {name: one for name, one in start_points(SPACE, 12.0, {}).items() if "lead" in name}
    assert len(leads) == 7
    for one in leads.values():
        assert one.law == "pid"
        # Derivative worth two fifths of the lag: that of the linear engine, reduced.
        lead_s = one.derivative_steps_s_per_100rpm / 100.0 * model.gain_rpm_per_step
        assert abs(lead_s - 0.4 * model.time_constant_s) < 0.02
        worth = one.deadband_rpm / one.min_move_steps
        assert worth == 0.0 or 7.0 < worth < 25.0


class Known:
    """A judge that knows what each number costs, and a search that has tried some."""

    def __init__(self, space: Space, scores: dict[Feedback, tuple[float, float]]) -> None:
        self.space, self._scores, self.weights = space, scores, Weights()

    def scores(self, candidates: Sequence[Feedback]) -> list[Score]:
        """Total [rpm] and share of the cars that fail, by the nearest that is known."""
        return [self._one(one) for one in candidates]

    def _one(self, settings: Feedback) -> Score:
        total, failing = self._scores.get(settings, (self._near(settings), 0.0))
        return Score(total, total, total, {}, {}, (), Acceptance({"hunts": 0.0}, failing, failing))

    def _near(self, settings: Feedback) -> float:
        same = [one for one in self._scores if one.law == settings.law]
        place = self.space.to_unit(settings)
        nearest = min(same, key=lambda one: np.abs(self.space.to_unit(one) - place).max())
        return self._scores[nearest][0]

    def expected_ranking(self, _weights: Weights) -> list[tuple[float, Feedback]]:
        """All that is known, best first."""
        return sorted(((total, one) for one, (total, _) in self._scores.items()), key=itemgetter(0))


def chosen(scores: dict[Feedback, tuple[float, float]]) -> Feedback:
    """What is chosen of settings whose score and failing share are known."""
    known = Known(SPACE, scores)
    return choose(known, known, BUDGETS["quick"], ()).settings  # type: ignore[arg-type]


def test_what_is_not_acceptable_is_not_chosen_however_well_it_scores() -> None:
    quick = changed(update_period_ms=300.0)
    assert chosen({PI: (90.0, 0.3), quick: (150.0, 0.1)}) == quick
    assert chosen({PI: (90.0, 0.1), quick: (150.0, 0.1)}) == PI


def test_another_law_than_pi_has_to_earn_a_twentieth() -> None:
    pid = changed(law="pid", derivative_steps_s_per_100rpm=1.0)
    assert chosen({PI: (100.0, 0.0), pid: (96.0, 0.0)}) == PI
    assert chosen({PI: (100.0, 0.0), pid: (94.0, 0.0)}) == pid


def test_the_found_settings_are_proposed_only_where_they_beat_all_others() -> None:
    def score(total: float, failing: float = 0.0, hunts: float = 0.0) -> Score:
        return Score(
            total, total, total, {}, {}, (), Acceptance({"hunts": hunts}, failing, max(failing, hunts))
        )

    rows = {"open_loop": score(200.0, 1.0), "plain": score(100.0), "found": score(99.0)}
    assert better(rows) == "found"
    assert better(rows | {"found": score(100.0)}) == "plain"
    assert better(rows | {"found": score(60.0, 0.4)}) == "plain"
    # What hunts is kept by nobody, however well it answers loads.
    assert better(rows | {"present": score(80.0, 0.0, hunts=0.2)}) == "found"
    assert better(rows | {"present": score(80.0, 0.0, hunts=0.1)}) == "present"
