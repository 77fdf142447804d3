"""The settings that a search may try: what is varied for each law, how far, and on which grid.

Proposals are made in our units and then rounded to what the controller's entry form can hold, so
no candidate exists that could not be typed in.  Everything else of ``[feedback]`` stays as it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from controllers import Feedback
from sim import Car, equilibrium
from tuning.ensemble import BASE_ERROR_steps, EVERYTHING_W_per_l, WARM_degC, warm_base_steps
from tuning.search.entry_form import as_entered, entry_largest, entry_step
from tuning.search.range import Range

if TYPE_CHECKING:
    import optuna

GAIN, INTEGRAL, DERIVATIVE = (
    "gain_steps_per_100rpm",
    "integral_steps_per_100rpm_s",
    "derivative_steps_s_per_100rpm",
)
COMMON = (
    "deadband_rpm",
    "min_move_steps",
    "update_period_ms",
    "trim_low_steps",
    "trim_high_steps",
)
LAW_KEYS: Mapping[str, tuple[str, ...]] = {
    "pi": (GAIN, INTEGRAL, *COMMON),
    "pid": (GAIN, INTEGRAL, DERIVATIVE, *COMMON),
    "nudge": ("nudge_steps", *COMMON),
    "pi_park": (GAIN, INTEGRAL, *COMMON),
}
"""What is varied for each law."""
SEARCHED_LAWS = ("pi", "pid", "nudge")
"""Laws tried where none is asked for.  ``pi_park`` is ``pi`` with a least deadband, and the search
chooses the deadband itself."""
LOST_STEPS = 5.0
"""Steps the valve may have lost that the upper trim limit must be able to make up."""
LONGEST_PERIOD_ms, SHORTEST_PERIOD_ms = 1000.0, 40.0
MOST_MOVE_STEPS = 8
LARGEST_LOOP_RATIO = 4.0
"""Largest gain times rpm per step tried, and of the integral for a second [-]."""
AUTHORITY_MARGIN = 1.25
CLOSING_SHARE = 0.35
"""Lowest trim tried, as a share of the open limit: cold, the base curve is far from closed [-]."""


def _steps_for(car: Car, wanted_rpm: float, load_W: float) -> float:
    """Valve position that holds a speed under a load, warm; whole, the travel if none does."""
    low, high = 0, car.valve.open_limit_steps
    while low < high:
        middle = (low + high) // 2
        if equilibrium(car, middle, WARM_degC, load_W=load_W)["rpm"] < wanted_rpm:
            low = middle + 1
        else:
            high = middle
    return float(low)


def warm_target_rpm(car: Car) -> float:
    """Idle target of a warm engine.

    Gives target [rpm].
    """
    points = np.asarray(car.curves.target_rpm, dtype=float)
    return float(np.interp(WARM_degC, points[:, 0], points[:, 1]))


def rpm_per_step(car: Car) -> float:
    """What one step is worth, warm, about the base curve.

    Gives at least 1 [rpm/step].
    """
    base = warm_base_steps(car)
    above = equilibrium(car, base + 2.0, WARM_degC)["rpm"]
    below = equilibrium(car, max(base - 2.0, 0.0), WARM_degC)["rpm"]
    return max(1.0, (above - below) / (base + 2.0 - max(base - 2.0, 0.0)))


@dataclass(frozen=True)
class Space:
    """The settings that a search may try.

    Attributes
    ----------
    car : Car
        Its entry form rounds, its other feedback settings are kept.
    laws : tuple of str
        Laws to choose from.
    ranges : dict
        Name of what is varied to its range.
    """

    car: Car
    laws: tuple[str, ...]
    ranges: Mapping[str, Range]

    def ask(self, trial: optuna.Trial) -> Feedback:
        """Let a trial propose settings.

        Gives as the controller can hold them.
        """
        law = self.laws[0]
        if len(self.laws) > 1:
            law = str(trial.suggest_categorical("law", self.laws))
        values: dict[str, float] = {}
        for name in LAW_KEYS[law]:
            one = self.ranges[name]
            if one.whole:
                values[name] = trial.suggest_int(name, round(one.low), round(one.high))
            else:
                values[name] = trial.suggest_float(name, one.low, one.high, log=one.log)
        return self.feedback(law, values)

    def feedback(self, law: str, values: Mapping[str, float]) -> Feedback:
        """Settings from proposed values.

        Gives as the controller can hold them.
        """
        given: dict[str, Any] = {k: v for k, v in values.items() if not k.startswith("trim_")}
        given |= {k: round(given[k]) for k in ("min_move_steps", "nudge_steps") if k in given}
        given["law"] = law
        given["trim_limit_steps"] = (
            float(values["trim_low_steps"]),
            float(values["trim_high_steps"]),
        )
        if law != "pid":
            given[DERIVATIVE] = 0.0
        kept = self.car.feedback.model_dump()
        return as_entered(self.car, Feedback.model_validate(kept | given))

    def values_of(self, feedback: Feedback) -> dict[str, float]:
        """What would have to be proposed to come to these settings, within the ranges.

        Gives each of ``LAW_KEYS[law]`` to a value.
        """
        low, high = feedback.trim_limit_steps
        own = {"trim_low_steps": low, "trim_high_steps": high}
        values = {n: own[n] if n in own else getattr(feedback, n) for n in LAW_KEYS[feedback.law]}
        return {
            name: min(max(float(value), self.ranges[name].low), self.ranges[name].high)
            for name, value in values.items()
        }

    def params_of(self, feedback: Feedback) -> dict[str, Any]:
        """The same as the parameters of a trial.

        Gives names to values, the law too where there is a choice.
        """
        values: dict[str, Any] = {
            name: round(value) if self.ranges[name].whole else value
            for name, value in self.values_of(feedback).items()
        }
        return ({"law": feedback.law} if len(self.laws) > 1 else {}) | values

    def from_unit(self, law: str, places: Sequence[float] | np.ndarray) -> Feedback:
        """Settings from places in the unit cube, for searches other than optuna's.

        Gives as the controller can hold them.
        """
        names = LAW_KEYS[law]
        return self.feedback(
            law, {n: self.ranges[n].at(float(p)) for n, p in zip(names, places, strict=True)}
        )

    def to_unit(self, feedback: Feedback) -> np.ndarray:
        """Places in the unit cube of settings.

        Gives in the order of ``LAW_KEYS[law]`` [-].
        """
        return np.array([self.ranges[n].place(v) for n, v in self.values_of(feedback).items()])

    def neighbours(self, feedback: Feedback) -> dict[str, Feedback]:
        """Settings one entry step away, up and down in each thing that is varied.

        Gives such as "gain_steps_per_100rpm +0.1" to settings; those at an end have one less.
        """
        found: dict[str, Feedback] = {}
        for name in LAW_KEYS[feedback.law]:
            step = self._entry_step(name, feedback.update_period_ms)
            for way in (-1.0, 1.0):
                values = self.values_of(feedback)
                values[name] += way * step
                if values[name] < (1.0 if self.ranges[name].whole else -math.inf):
                    continue
                if not name.startswith("trim_") and values[name] < 0.0:
                    continue
                near = self.feedback(feedback.law, values)
                if near != feedback:
                    found[f"{name} {way * step:+g}"] = near
        return found

    def _entry_step(self, name: str, period_ms: float) -> float:
        if name == "nudge_steps":
            return 1.0
        key = "trim_limit_steps" if name.startswith("trim_") else name
        step = entry_step(self.car, key, period_ms)
        return max(1.0, step) if name == "min_move_steps" else step


def make_space(car: Car, laws: Sequence[str]) -> Space:
    """Find what may be tried on a car."""
    worth = rpm_per_step(car)
    longest = entry_largest(car, "update_period_ms", 0.0)
    period = (SHORTEST_PERIOD_ms, min(LONGEST_PERIOD_ms, longest))
    most = 100.0 * LARGEST_LOOP_RATIO / worth
    ranges = {
        GAIN: _gain_range(car, GAIN, most, period[1]),
        INTEGRAL: _gain_range(car, INTEGRAL, most, period[1]),
        DERIVATIVE: _gain_range(car, DERIVATIVE, 0.5 * most, period[0]),
        "deadband_rpm": Range(0.0, min(max(100.0, 5.0 * worth), _largest(car, "deadband_rpm"))),
        "min_move_steps": Range(1, _whole(_largest(car, "min_move_steps")), whole=True),
        "nudge_steps": Range(1, MOST_MOVE_STEPS, whole=True),
        "update_period_ms": Range(*period, log=True),
        **_trim_ranges(car),
    }
    return Space(car, tuple(laws), ranges)


def _largest(car: Car, key: str) -> float:
    return entry_largest(car, key, 100.0)


def _whole(largest: float) -> float:
    return max(1.0, min(float(MOST_MOVE_STEPS), math.floor(largest + 1e-9)))


def _gain_range(car: Car, key: str, most: float, period_ms: float) -> Range:
    """From half an entry step (which rounds to none or one) up, over the logarithm."""
    high = min(most, entry_largest(car, key, period_ms), 500.0)
    low = max(0.5 * entry_step(car, key, period_ms), 1e-3 * high)
    return Range(min(low, 0.5 * high), high, log=True)


def _trim_ranges(car: Car) -> dict[str, Range]:
    """How far trim limits may be set: from what is needed to what the valve and the entry have."""
    litres = car.engine.displacement_cm3 / 1000.0
    base, target = warm_base_steps(car), warm_target_rpm(car)
    entry = _largest(car, "trim_limit_steps")
    carry = _steps_for(car, target, EVERYTHING_W_per_l * litres) - base
    up = AUTHORITY_MARGIN * (max(carry, 0.0) + BASE_ERROR_steps + LOST_STEPS)
    down = AUTHORITY_MARGIN * (max(base - _steps_for(car, target, 0.0), 0.0) + BASE_ERROR_steps)
    most_up = max(1.0, min(float(car.valve.open_limit_steps) - base, entry))
    most_down = max(1.0, min(max(base, down, CLOSING_SHARE * car.valve.open_limit_steps), entry))
    up, down = math.ceil(min(up, most_up)), math.ceil(min(down, most_down))
    return {
        "trim_low_steps": Range(-most_down, -float(down)),
        "trim_high_steps": Range(float(up), most_up),
    }
