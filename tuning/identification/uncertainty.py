"""How sure a fit is: intervals of what matters, and the car file's [uncertainty]."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sim import Car
from tuning.identification.parameters import SIMPLE, Floats, Parameters, factor
from tuning.identification.result import Interval, root_of
from tuning.identification.scatter import Scatter
from tuning.loop import engine_figures

DRAWS = 80
STEP_WIDER, POLE_WIDER = 1.15, 1.2
"""Factors on the intervals of the worth of a step and of the main pole [-]: on 100 engines drawn
from the beliefs (``tests/bench/test_fit_intervals.py``) intervals without them held the truth in
80 and 85 cases, and the truth was off by 1.14 and 1.2 times what was told."""
LEAST, MOST = 0.02, 1.0
"""Range of the relative standard deviations written [-]: below it an engine's real structure is
not the model's, whatever the log says; our judgement."""
LEAST_OF = {"inertia_kg_m2": 0.05, "volume_cm3": 0.05, "area_mm2": 0.03}
"""The same for what the model's structure stands in for most [-]."""
FIXED_BY_THE_LOG = (("engine", "volumetric_efficiency"),)
"""Only its ratio to the openings shows in a log, and that is carried by the openings."""


def figures_with_intervals(
    draw: Callable[[Floats], Car], found: Floats, covariance: Floats, steps: float, seed: int
) -> dict[str, Interval]:
    """Worth of a step, main pole and settled speed with 90 % intervals."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, 3]))
    root = root_of(covariance)
    best = engine_figures(draw(found), steps)
    drawn = [
        engine_figures(draw(found + root @ rng.standard_normal(found.size)), steps) for _ in range(DRAWS)
    ]
    running = [one for one in drawn if one.rpm > 0.0] or [best]

    def interval(name: str, wider: float = 1.0) -> Interval:
        value = float(getattr(best, name))
        # From the spread of the draws about the best: percentiles of few draws are too narrow.
        off = [(getattr(one, name) - value) ** 2 for one in running]
        half = wider * 1.645 * float(np.sqrt(np.mean(off)))
        return Interval(value, value - half, value + half)

    return {
        "rpm_per_step": interval("rpm_per_step", STEP_WIDER),
        "main_pole_rad_s": interval("main_pole_rad_s", POLE_WIDER),
        "settled_rpm": interval("rpm"),
    }


def _kept(key: str, spread: float) -> float:
    return float(np.clip(spread, LEAST_OF.get(key, LEAST), MOST))


def uncertainty_of(
    parameters: Parameters, found: Floats, covariance: Floats, scatter: Scatter
) -> dict[str, dict[str, float]]:
    """Relative standard deviations for the car file, by table and key [-].

    The file has room for independent spreads only, while what a log tells is mostly about combinations.
    So each number is given the spread that it has when the others are held and the leak follows where the
    engine idles: cars drawn with these are, on average, as likely as cars drawn from the full covariance.

    Source: conditional variances, the inverse of the precision's diagonal (any textbook); the mean of the
    quadratic form is the number of parameters in both cases.
    """
    names = parameters.names
    others = [i for i, name in enumerate(names) if name != "throttle.leak_mm2"]
    precision = np.linalg.inv(covariance[np.ix_(others, others)])
    spreads: dict[str, dict[str, float]] = {}
    for place, at in enumerate(others):
        one = parameters.each[at]
        if SIMPLE.get(one.key) is factor:
            held = 1.0 / float(np.sqrt(precision[place, place]))
            spreads.setdefault(one.table, {})[one.key] = _kept(one.key, held)
    together = np.array([float(parameters.each[at].key == "area_mm2") for at in others])
    area = 1.0 / float(np.sqrt(together @ precision @ together))
    spreads.setdefault("valve", {})["area_mm2"] = _kept("area_mm2", area)
    backlash = "valve.backlash_steps"
    if backlash in names:
        at = names.index(backlash)
        value = parameters.car.valve.backlash_steps + found[at]
        deviation = float(np.sqrt(covariance[at, at]))
        if value > 0.05:
            spreads["valve"]["backlash_steps"] = _kept("backlash_steps", deviation / value)
    engine = spreads.setdefault("engine", {})
    engine["scatter_share"] = float(scatter.share_sd)
    for table, key in FIXED_BY_THE_LOG:
        spreads.setdefault(table, {})[key] = 0.0
    return spreads
