"""The samplers that propose the next settings, by name."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from optuna.samplers import BaseSampler

MakeSampler = Callable[[int], "BaseSampler"]


def sampler_maker(sampler: str) -> MakeSampler:
    """Return a function from seed to a fresh sampler: "random", else a Parzen estimator."""
    from optuna import samplers

    if sampler == "random":
        return lambda seed: samplers.RandomSampler(seed=seed)
    return _parzen


def _parzen(seed: int) -> BaseSampler:
    from optuna.samplers import TPESampler

    with warnings.catch_warnings():
        # optuna warns that grouping is experimental; its behaviour is pinned by our tests.
        warnings.simplefilter("ignore")
        return TPESampler(seed=seed, multivariate=True, group=True)
