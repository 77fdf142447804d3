"""The settings that a search may try: what is varied for each law, how far, and on which grid.

All are rounded to what the controller's entry form can hold; the rest of ``[feedback]`` stays.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from controllers import DERIVATIVE, GAIN, INTEGRAL, LAWS, Feedback, curve_at
from sim import Car
from sim.files import one_problem
from sim.linearise import settled_rpm
from tuning.ensemble import BASE_ERROR_steps, EVERYTHING_W_per_l
from tuning.loop import WARM_degC, WIDEST_DEADBAND_rpm, base_position, needed_steps, usual_idle
from tuning.search.entry_form import as_entered, entry_largest, entry_step

if TYPE_CHECKING:
    import optuna


@dataclass(frozen=True)
class Range:
    """Range of one thing that is varied, in its unit; ``log``: proposed evenly over its logarithm."""

    low: float
    high: float
    log: bool = False
    whole: bool = False

    def at(self, place: float) -> float:
        """The value at a place [any]."""
        place = min(max(place, 0.0), 1.0)
        if self.whole:
            return float(min(math.floor(self.low + place * (self.high - self.low + 1)), self.high))
        if self.log:
            return float(self.low * (self.high / self.low) ** place)
        return float(self.low + place * (self.high - self.low))

    def place(self, value: float) -> float:
        """Where a value lies between low and high, such that ``at`` gives it back [-]."""
        value = min(max(value, self.low), self.high)
        if self.high <= self.low:
            return 0.0
        if self.whole:
            return (value - self.low + 0.5) / (self.high - self.low + 1.0)
        if self.log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)


COMMON = (
    "deadband_rpm", "min_move_steps", "update_period_ms", "trim_low_steps", "trim_high_steps",
    "enable_above_target_rpm",
)  # fmt: skip
WHERE_USED: Mapping[str, tuple[str, ...]] = {
    "load_steps_per_100W": ("load_steps_per_100W",),
    "entry_extra_steps": ("entry_extra_steps", "entry_fade_s"),
    "spark_trim_deg_per_100rpm": ("spark_trim_deg_per_100rpm",),
}
"""What a controller may have or not: varied where the car file has it above 0."""
LAW_KEYS: Mapping[str, tuple[str, ...]] = {
    name: (*law.searched, *COMMON) for name, law in LAWS.items() if law.searched
}
"""What is varied for each law, before what is kept and what only some controllers have."""
KEEPABLE = (
    GAIN, INTEGRAL, DERIVATIVE, "nudge_steps", "deadband_rpm", "min_move_steps",
    "update_period_ms", "trim_limit_steps", "enable_above_target_rpm", "load_steps_per_100W",
    "entry_extra_steps", "entry_fade_s", "spark_trim_deg_per_100rpm",
)  # fmt: skip
"""Settings that can be kept as they are."""
ENABLE_LEAST_rpm, ENABLE_MOST_rpm = 80.0, 600.0  # How far above the target feedback may begin to act [rpm].
RACING_rpm = 300.0  # Trim may not be able to race the engine by more than about this [rpm].
MOST_STEPS_PER_100W, MOST_ENTRY_STEPS, MOST_SPARK_deg = 12.0, 30.0, 8.0
SEARCHED_LAWS = tuple(name for name, law in LAWS.items() if law.searched_unasked)
"""Laws tried where none is asked for."""
LONGEST_PERIOD_ms, SHORTEST_PERIOD_ms = 1000.0, 40.0
ROUND_PERIOD_ms = 10.0
"""Periods are proposed in whole multiples of this: nothing finer is felt, and nobody types 107 [ms]."""
WINDOW = "enable_above_target_rpm"
ROUND_WINDOW_rpm = 10.0
KNOWN_SHARE = 0.5
"""Of what loads need, what steps given beforehand take off the trim, where the controller has them [-]."""
MOST_MOVE_STEPS = 8
OWN_STEPS: Mapping[str, float] = {
    "nudge_steps": 1.0, "load_steps_per_100W": 0.5, "entry_extra_steps": 1.0, "entry_fade_s": 0.5,
    "spark_trim_deg_per_100rpm": 0.5,
}  # fmt: skip
"""Steps to a neighbour in what no entry form describes."""
LARGEST_LOOP_RATIO = 4.0  # Largest gain times rpm per step tried, and of the integral for a second [-].
OFF_SEAT_steps = 2.0
"""No low limit reaches nearer to the seat from the warm base: further down it has no meaning [steps]."""


def steps_for(car: Car, wanted_rpm: float, load_W: float) -> float:
    """Valve position that holds a speed under a load, warm; whole, else the open limit [steps]."""
    needed = needed_steps(car, wanted_rpm, WARM_degC, load_W)
    return float(math.ceil(min(max(needed, 0.0), car.valve.open_limit_steps)))


def warm_target_rpm(car: Car) -> float:
    """Idle target of a warm engine."""
    return curve_at(car.curves.target_rpm, WARM_degC)


def round_period_ms(period_ms: float) -> float:
    """The period nearest to one that somebody would type [ms]."""
    return max(ROUND_PERIOD_ms * round(period_ms / ROUND_PERIOD_ms), ROUND_PERIOD_ms)


def rpm_per_step(car: Car) -> float:
    """What one step is worth at the warm idle, at least 1 [rpm/step]."""
    idle = usual_idle(car)
    return max(1.0, idle.rpm_per_step if idle is not None else 0.0)


@dataclass(frozen=True)
class Space:
    """The settings that a search may try; those kept stay as the car has them."""

    car: Car
    laws: tuple[str, ...]
    ranges: Mapping[str, Range]
    kept: frozenset[str] = frozenset()
    opens_rpm: tuple[float, ...] = (0.0,)  # speed added, warm, by so many whole steps above the base curve

    def holds_engine(self, window_rpm: float, high_steps: float) -> tuple[float, float]:
        """Idle window [rpm] and high trim limit [steps] with which feedback holds on to what trim has opened.

        A load that goes would leave the engine that much too fast, without feedback, for good. The window is
        widened; where it is kept, or cannot be so wide, the limit is lowered.
        """
        most_rpm = window_rpm if WINDOW in self.kept else self.ranges[WINDOW].high
        steps = min(int(math.ceil(high_steps)), len(self.opens_rpm) - 1)
        while "trim_limit_steps" not in self.kept and steps > 1 and self.opens_rpm[steps] > most_rpm:
            steps -= 1
        least_rpm = ROUND_WINDOW_rpm * math.ceil(self.opens_rpm[steps] / ROUND_WINDOW_rpm)
        return max(window_rpm, min(least_rpm, most_rpm)), min(high_steps, float(steps))

    def keys(self, law: str) -> tuple[str, ...]:
        """What is varied for a law on this car, in order."""
        own = self.car.feedback
        more = [n for key, names in WHERE_USED.items() if getattr(own, key) > 0.0 for n in names]
        return tuple(n for n in (*LAW_KEYS[law], *more) if setting_of(n) not in self.kept)

    def ask(self, trial: optuna.Trial) -> Feedback:
        """Let a trial propose settings."""
        law = self.laws[0]
        if len(self.laws) > 1:
            law = str(trial.suggest_categorical("law", self.laws))
        values: dict[str, float] = {}
        for name in self.keys(law):
            one = self.ranges[name]
            if one.whole:
                values[name] = trial.suggest_int(name, round(one.low), round(one.high))
            else:
                values[name] = trial.suggest_float(name, one.low, one.high, log=one.log)
        return self.feedback(law, values)

    def feedback(self, law: str, values: Mapping[str, float]) -> Feedback:
        """Settings from proposed values."""
        given: dict[str, Any] = {k: v for k, v in values.items() if not k.startswith("trim_")}
        given |= {k: round(given[k]) for k in ("min_move_steps", "nudge_steps") if k in given}
        given |= {k: round(given[k], 1) for names in WHERE_USED.values() for k in names if k in given}
        given["law"] = law
        if "update_period_ms" in given:
            given["update_period_ms"] = round_period_ms(given["update_period_ms"])
        own = self.car.feedback
        low, high = own.trim_limit_steps
        low, high = (float(values.get(n, v)) for n, v in (("trim_low_steps", low), ("trim_high_steps", high)))
        window_rpm, high = self.holds_engine(given.get(WINDOW, getattr(own, WINDOW)), high)
        given |= {WINDOW: window_rpm, "trim_limit_steps": (low, high)}
        if DERIVATIVE not in LAW_KEYS[law]:
            given[DERIVATIVE] = 0.0
        found = as_entered(self.car, Feedback.model_validate(own.model_dump() | given))
        return found.model_copy(update={key: getattr(self.car.feedback, key) for key in self.kept})

    def settings(self, params: Mapping[str, Any]) -> Feedback:
        """Settings that the parameters of a trial stand for."""
        law = str(params.get("law", self.laws[0]))
        return self.feedback(law, {name: value for name, value in params.items() if name != "law"})

    def values_of(self, feedback: Feedback) -> dict[str, float]:
        """What would have to be proposed to come to these settings, within the ranges."""
        low, high = feedback.trim_limit_steps
        own = {"trim_low_steps": low, "trim_high_steps": high}
        names = self.keys(feedback.law)
        values = {n: own[n] if n in own else getattr(feedback, n) for n in names}
        return {
            name: min(max(float(value), self.ranges[name].low), self.ranges[name].high)
            for name, value in values.items()
        }

    def params_of(self, feedback: Feedback) -> dict[str, Any]:
        """The same as the parameters of a trial."""
        values: dict[str, Any] = {
            name: round(value) if self.ranges[name].whole else value
            for name, value in self.values_of(feedback).items()
        }
        return ({"law": feedback.law} if len(self.laws) > 1 else {}) | values

    def from_unit(self, law: str, places: Sequence[float] | np.ndarray) -> Feedback:
        """Settings from places in the unit cube, for searches other than optuna's."""
        names = self.keys(law)
        return self.feedback(
            law, {n: self.ranges[n].at(float(p)) for n, p in zip(names, places, strict=True)}
        )

    def to_unit(self, feedback: Feedback) -> np.ndarray:
        """Places in the unit cube of settings."""
        return np.array([self.ranges[n].place(v) for n, v in self.values_of(feedback).items()])

    def neighbours(self, feedback: Feedback) -> dict[str, Feedback]:
        """Settings one entry step away, by what is changed, such as "gain_steps_per_100rpm +0.1"."""
        found: dict[str, Feedback] = {}
        for name in self.keys(feedback.law):
            step = OWN_STEPS.get(name) or entry_step(self.car, setting_of(name), feedback.update_period_ms)
            step = max({"min_move_steps": 1.0, "update_period_ms": ROUND_PERIOD_ms}.get(name, 0.0), step)
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


def setting_of(name: str) -> str:
    """The setting that something varied belongs to: the trim limits are two of one."""
    return "trim_limit_steps" if name in ("trim_low_steps", "trim_high_steps") else name


def make_space(car: Car, laws: Sequence[str], keep: Sequence[str] = ()) -> Space:
    """Find what may be tried on a car."""
    for name in keep:
        if name not in KEEPABLE:
            message = f"no such setting ({name}), allowed: {', '.join(KEEPABLE)}"
            raise one_problem("command line", 1, "keep", message)
    kept = frozenset(keep)
    least_move = car.feedback.min_move_steps if "min_move_steps" in kept else 1
    worth = rpm_per_step(car)
    widest_rpm = max(WIDEST_DEADBAND_rpm, worth * least_move)
    longest = entry_largest(car, "update_period_ms", 0.0)
    period = (SHORTEST_PERIOD_ms, min(LONGEST_PERIOD_ms, longest))
    most = 100.0 * LARGEST_LOOP_RATIO / worth
    largest_move = math.floor(_largest(car, "min_move_steps") + 1e-9)
    ranges = {
        GAIN: _gain_range(car, GAIN, most, period[1]),
        INTEGRAL: _gain_range(car, INTEGRAL, most, period[1]),
        DERIVATIVE: _gain_range(car, DERIVATIVE, 0.5 * most, period[0]),
        "deadband_rpm": Range(0.0, min(widest_rpm, _largest(car, "deadband_rpm"))),
        "min_move_steps": Range(1, max(1.0, min(float(MOST_MOVE_STEPS), largest_move)), whole=True),
        "nudge_steps": Range(1, MOST_MOVE_STEPS, whole=True),
        "update_period_ms": Range(*period, log=True),
        WINDOW: Range(ENABLE_LEAST_rpm, min(ENABLE_MOST_rpm, _largest(car, WINDOW))),
        "load_steps_per_100W": Range(0.0, MOST_STEPS_PER_100W),
        "entry_extra_steps": Range(0.0, MOST_ENTRY_STEPS),
        "entry_fade_s": Range(0.2, 10.0, log=True),
        "spark_trim_deg_per_100rpm": Range(0.0, MOST_SPARK_deg),
        **_trim_ranges(car),
    }
    most_steps = ranges["trim_high_steps"].high
    if "trim_limit_steps" in kept:
        most_steps = max(most_steps, car.feedback.trim_limit_steps[1])
    steps = base_position(car) + np.arange(math.ceil(most_steps) + 1.0)
    speeds = settled_rpm(car, np.minimum(steps, car.valve.open_limit_steps), WARM_degC)
    return Space(car, tuple(laws), ranges, kept, tuple((speeds - speeds[0]).tolist()))


def _largest(car: Car, key: str) -> float:
    return entry_largest(car, key, 100.0)


def _gain_range(car: Car, key: str, most: float, period_ms: float) -> Range:
    """From half an entry step (which rounds to none or one) up, over the logarithm."""
    high = min(most, entry_largest(car, key, period_ms), 500.0)
    low = max(0.5 * entry_step(car, key, period_ms), 1e-3 * high)
    return Range(min(low, 0.5 * high), high, log=True)


def _trim_ranges(car: Car) -> dict[str, Range]:
    """How far trim limits may be set: from what is needed to what the valve and the entry have."""
    litres = car.engine.displacement_cm3 / 1000.0
    base, target = base_position(car), warm_target_rpm(car)
    entry = _largest(car, "trim_limit_steps")
    carry = steps_for(car, target, EVERYTHING_W_per_l * litres) - base
    known = KNOWN_SHARE if car.feedback.load_steps_per_100W > 0.0 else 0.0
    up = (1.0 - known) * max(carry, 0.0) + BASE_ERROR_steps + 1.0
    down = max(base - steps_for(car, target, 0.0), 0.0) + BASE_ERROR_steps + 1.0
    most_up = max(1.0, min(float(car.valve.open_limit_steps) - base, entry))
    most_down = max(1.0, min(max(base - OFF_SEAT_steps, down), entry))
    racing = steps_for(car, target + RACING_rpm, 0.0) - base
    most_up = max(min(most_up, max(racing, math.ceil(BASE_ERROR_steps))), 1.0)
    up, down = math.ceil(min(up, most_up)), math.ceil(min(down, most_down))
    return {"trim_low_steps": Range(-most_down, -float(down)), "trim_high_steps": Range(float(up), most_up)}
