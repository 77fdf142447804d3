"""The samplers that propose the next settings, by name."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from importlib.util import find_spec
from typing import TYPE_CHECKING

from sim.errors import InputError
from sim.files import one_problem

if TYPE_CHECKING:
    from optuna.samplers import BaseSampler

MakeSampler = Callable[[int], "BaseSampler"]

_PACKAGES = {"tpe": None, "random": None, "cmaes": "cmaes", "gp": "torch"}
"""Each sampler and the package it needs beside optuna."""


def sampler_maker(sampler: str | MakeSampler) -> MakeSampler:
    """Return a function from seed to a fresh sampler."""
    if callable(sampler):
        return sampler
    if sampler not in _PACKAGES:
        raise _refused(f"there is no such sampler ({sampler}); allowed: {', '.join(_PACKAGES)}")
    package = _PACKAGES[sampler]
    if package is not None and find_spec(package) is None:
        raise _refused(f"{sampler} needs the package {package}: pip install {package}")
    return lambda seed: _make(sampler, seed)


def _make(sampler: str, seed: int) -> BaseSampler:
    from optuna import samplers

    if sampler == "random":
        return samplers.RandomSampler(seed=seed)
    with warnings.catch_warnings():
        # optuna warns that grouping is experimental; its behaviour is pinned by our tests.
        warnings.simplefilter("ignore")
        tpe = samplers.TPESampler(seed=seed, multivariate=True, group=True)
        if sampler == "cmaes":
            return samplers.CmaEsSampler(
                seed=seed, independent_sampler=tpe, warn_independent_sampling=False
            )
        if sampler == "gp":
            return samplers.GPSampler(
                seed=seed, independent_sampler=tpe, warn_independent_sampling=False
            )
        return tpe


def _refused(message: str) -> InputError:
    return one_problem("command line", 1, "sampler", message)
