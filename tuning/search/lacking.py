"""What a car lacks whose settings are not acceptable: which loads are not over in time, what would help."""

from __future__ import annotations

import math

from controllers import Feedback
from tuning.ensemble import EVERYTHING_W_per_l, LAMPS_W_per_l
from tuning.loop import WARM_degC, base_position, needed_steps
from tuning.notes import Note
from tuning.search.judge import Judge
from tuning.search.objective import Score
from tuning.search.space import MOST_STEPS_PER_100W, warm_target_rpm

KNOWN_SHARES = (0.5, 0.8)
"""Parts of what all loads need that are tried as steps given beforehand: the whole is too much for some
variations, whose trim then stands at its low limit [-]."""
HELPS = 0.75  # What leaves more than this part of the cars that fail is no help worth the trouble [-].


def lacking(settings: Feedback, own: Score, judge: Judge) -> tuple[Note, ...]:
    """Look which loads are not over in time on the judge's cars, and whether load feed-forward would do."""
    cars, by_load = judge.plausible.cars, own.acceptance.by_load
    car = cars[0]
    litres = car.engine.displacement_cm3 / 1000.0
    target_rpm, all_W = warm_target_rpm(car), EVERYTHING_W_per_l * litres
    needed = [needed_steps(one, target_rpm, WARM_degC, all_W) - base_position(one) for one in cars]
    carried = [steps for steps in needed if math.isfinite(steps)]
    found: list[Note] = []
    if max(by_load) > 0.0 and carried:
        found.append(
            Note(
                "search.lacking.loads", lamps_W=LAMPS_W_per_l * litres, all_W=all_W,
                lamps_percent=100.0 * max(by_load[:2]), all_percent=100.0 * max(by_load[2:]),
                least_steps=min(carried), most_steps=max(carried), trim_steps=settings.trim_limit_steps[1],
                beyond_percent=100.0 * (1.0 - len(carried) / len(needed)),
            )
        )  # fmt: skip
    unloaded = needed_steps(car, target_rpm, WARM_degC) - base_position(car)
    found += _feed_forward(settings, own, judge, 100.0 * (needed[0] - unloaded) / all_W)
    return tuple(found)


def _feed_forward(settings: Feedback, own: Score, judge: Judge, needed_per_100W: float) -> list[Note]:
    """What steps for known loads would leave, if that is clearly less."""
    if not (math.isfinite(needed_per_100W) and needed_per_100W > 0.0):
        return []
    each = [min(round(part * needed_per_100W, 1), MOST_STEPS_PER_100W) for part in KNOWN_SHARES]
    each = [steps for steps in each if steps > settings.load_steps_per_100W]
    scores = judge.scores([settings.model_copy(update={"load_steps_per_100W": steps}) for steps in each])
    left = {steps: one.acceptance.told_share for steps, one in zip(each, scores, strict=True)}
    best = min(each, key=lambda steps: left[steps], default=0.0)
    if not each or left[best] > HELPS * own.acceptance.told_share:
        return []
    return [Note("search.lacking.feed_forward", load_steps_per_100W=best, left_percent=100.0 * left[best])]
