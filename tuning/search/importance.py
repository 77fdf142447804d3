"""Which settings matter: how much each one parts the good trials of a search from the rest."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from optuna.trial import FrozenTrial

FEWEST_TRIALS = 30
"""With fewer trials nothing can be told."""


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
