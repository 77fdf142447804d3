"""Why each number is what it is: what the same settings do with clearly less, and more, of it."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from controllers import Feedback
from tuning.measures import TERMS
from tuning.notes import Told
from tuning.search.judge import Judge
from tuning.search.objective import Score
from tuning.search.space import Space

if TYPE_CHECKING:
    from optuna.trial import FrozenTrial

RATIO = 1.6  # Gains, derivative and update period are changed by this factor, either way [-].
CHANGES: Mapping[str, float] = {
    "deadband_rpm": 12.0, "min_move_steps": 1.0, "nudge_steps": 1.0, "trim_low_steps": 5.0,
    "trim_high_steps": 5.0, "enable_above_target_rpm": 120.0, "load_steps_per_100W": 1.5,
    "entry_extra_steps": 4.0, "spark_trim_deg_per_100rpm": 1.0,
}  # fmt: skip
"""The others by so much, either way [their own unit]."""
LITTLE_SHARE = 0.01  # A change of the score below this share of it decides nothing [-].


@dataclass(frozen=True)
class Instead(Told):
    """The same settings with another value of one number.

    Attributes
    ----------
    value, term, before, after : float, str, float, float
    """

    value: float  # the value instead
    score_rpm: float
    term: str  # which term speaks most against it, or for it where nothing does
    before: float  # that term with the value chosen, and instead, in its own unit
    after: float
    failing_share: float  # share of the cars on which they would not be acceptable


@dataclass(frozen=True)
class Reason(Told):
    """Why one number has its value.

    Attributes
    ----------
    name, value, less, more : str, float, Instead or None, Instead or None
    """

    TOLD = ("name", "value", "score_rpm", "decides", "less", "more")

    name: str  # what is varied
    value: float
    score_rpm: float
    less: Instead | None  # what clearly less and more of it would do; None at an end of what may be tried
    more: Instead | None

    @property
    def decides(self) -> bool:
        """Whether less or more of it would make a difference."""
        return any(
            abs(one.score_rpm - self.score_rpm) > LITTLE_SHARE * self.score_rpm
            for one in (self.less, self.more)
            if one is not None
        )


def reasons(settings: Feedback, space: Space, judge: Judge) -> tuple[Reason, ...]:
    """Score settings with less and more of each number."""
    values = space.values_of(settings)
    others: dict[tuple[str, int], tuple[float, Feedback]] = {}
    for name, value in values.items():
        for way in (-1, 1):
            wanted = value + way * CHANGES[name] if name in CHANGES else value * RATIO**way
            wanted = min(max(wanted, space.ranges[name].low), space.ranges[name].high)
            one = space.feedback(settings.law, values | {name: wanted})
            there = space.values_of(one)[name]
            if not math.isclose(there, value, abs_tol=1e-9):
                others[name, way] = there, one
    judge.scores([settings, *(one for _, one in others.values())])
    (own,) = judge.scores([settings])
    instead = {key: _instead(*one, own, judge) for key, one in others.items()}
    return tuple(
        Reason(name, value, own.total, instead.get((name, -1)), instead.get((name, 1)))
        for name, value in values.items()
    )


def _instead(value: float, settings: Feedback, own: Score, judge: Judge) -> Instead:
    (score,) = judge.scores([settings])
    rise = {name: score.terms[name] - own.terms[name] for name in TERMS}
    sign = 1.0 if score.total >= own.total else -1.0
    term = max(TERMS, key=lambda name: sign * rise[name])
    return Instead(
        value, score.total, term, own.measured[term], score.measured[term],
        score.acceptance.told_share,
    )  # fmt: skip


FEWEST_TRIALS = 30  # With fewer trials nothing can be told.


def parameter_importance(trials: Sequence[FrozenTrial], law: str | None = None) -> dict[str, float]:
    """Share of each varied thing in coming among the best tenth of the trials, most important first.

    Source: Watanabe, Bansal and Hutter, PED-ANOVA, IJCAI 2023; optuna's implementation.
    """
    import optuna
    from optuna.importance import PedAnovaImportanceEvaluator

    valued = [trial for trial in trials if trial.value is not None]
    own = [trial for trial in valued if law is None or trial.params.get("law", law) == law]
    if len(own) < FEWEST_TRIALS:
        return {}
    names = [
        name for name in own[0].params if name != "law" and len({one.params.get(name) for one in own}) > 1
    ]
    study = optuna.create_study(direction="minimize")
    study.add_trials([_plain(trial, names) for trial in own])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # optuna calls the evaluator experimental
        found = PedAnovaImportanceEvaluator().evaluate(study, params=names)
    total = sum(found.values())
    if not total > 0.0:
        return {}
    shares: Mapping[str, float] = {name: float(value / total) for name, value in found.items()}
    return dict(sorted(shares.items(), key=lambda item: -item[1]))


def _plain(trial: FrozenTrial, names: Sequence[str]) -> FrozenTrial:
    """The trial with these parameters only, so that all trials have the same."""
    from optuna.trial import create_trial

    return create_trial(
        value=trial.value,
        params={name: trial.params[name] for name in names},
        distributions={name: trial.distributions[name] for name in names},
    )
