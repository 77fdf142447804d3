"""How to record a log that a fit can learn from: holds, steps and loads, sized for the car.

Speed is to move well above its scatter and stay well away from stalling and from racing, so the
steps are worked out from what each position of this car's valve is worth.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from controllers import curve_at
from sim import Car
from sim.linearise import settled_rpm
from tuning.ensemble import EVERYTHING_W_per_l
from tuning.identification.parameters import Floats
from tuning.notes import Note, Told

WARM_degC = 90.0
RATE_Hz = 20.0  # Rows a second to record [Hz]; the least that shows how fast the manifold fills is about 5.
DURATION_s = 300.0  # With three minutes `explain` was farther off beside ten foreign engines [s].
SMALL_rpm, MEDIUM_rpm, LARGE_rpm = 55.0, 110.0, 200.0  # What the three sizes of step are to be worth [rpm].
WIDEST_rpm = 400.0  # Most that is opened for before loads come on together; more would be no idle [rpm].
BELOW_TARGET = 0.82  # Lowest settled speed of the plan over the target [-].
ABOVE_STALL_rpm = 250.0  # Lowest settled speed of the plan above stalling [rpm].
LEAST_STEPS = 3  # No hold closes the valve further: at the seat a step is worth nothing, or is lost [steps].
ELECTRIC_LOADS = ("lamps", "fan", "screen")

PATTERN = (
    ("base", 18.0), ("small", 9.0), ("base", 7.0), ("-small", 9.0), ("base", 7.0), ("medium", 9.0),
    ("small", 6.0), ("large", 9.0), ("base", 8.0), ("-medium", 9.0), ("small", 7.0),
    ("-small", 7.0), ("medium", 7.0), ("base", 9.0), ("load", 16.0), ("base", 14.0),
    ("large", 6.0), ("medium", 6.0), ("-small", 8.0), ("base", 9.0),
)  # fmt: skip
"""Position (or load) and length of each hold [-, s]: up and down, small and large, both ways."""
MORE = (
    ("medium", 8.0), ("large", 7.0), ("base", 8.0), ("-small", 7.0), ("-medium", 7.0), ("small", 8.0),
    ("wide", 7.0), ("all", 14.0), ("wide", 7.0), ("base", 9.0), ("medium", 9.0), ("-small", 8.0),
    ("base", 7.0), ("-medium", 8.0), ("base", 6.0),
)  # fmt: skip
"""More of it where there is time. Shorter holds would tell more, but look like hunting to ``diagnose``.
With several loads on the valve stands where that should idle at the target: no one knows yet whether the
engine would carry them on less."""
LONG_s = 250.0  # With less there is no time for it [s].


@dataclass(frozen=True)
class Hold(Told):
    """One stretch of the recording with nothing changed."""

    from_s: float  # beginning and end
    to_s: float
    steps: int  # valve position to set [steps]
    load: str  # load to have switched on, empty for none
    load_W: float  # its size, 0 without one
    expected_rpm: float  # where the car file says the engine settles, 0 if it would stall


@dataclass(frozen=True)
class RecordingPlan(Told):
    """How to record a useful log on one car."""

    ALSO = ("duration_s",)

    car: str  # name of the car
    base_steps: int  # where the valve stands between steps
    small_steps: int  # sizes of step
    medium_steps: int
    large_steps: int
    holds: tuple[Hold, ...]  # what to do, in order
    rate_Hz: float  # rows a second
    advice: tuple[Note, ...]  # what to see to before, in order

    @property
    def duration_s(self) -> float:
        """Length of the recording [s]."""
        return self.holds[-1].to_s

    def lines(self) -> list[Note]:
        """The plan, a note a hold; advice first."""
        first = Note("guide.plan", car=self.car, length_min=self.duration_s / 60.0,
                     rate_Hz=self.rate_Hz)  # fmt: skip
        rows = [Note("guide.advice", number=number, text=text) for number, text in enumerate(self.advice, 1)]
        holds = [
            Note("guide.hold", from_=one.from_s, to=one.to_s, position=one.steps, about=one.expected_rpm,
                 load=Note("explanation.load", key=one.load) if one.load else ())
            for one in self.holds
        ]  # fmt: skip
        return [first, *rows, Note("guide.columns"), *holds]


def _loads(car: Car, base: int, floor_rpm: float) -> dict[str, tuple[str, float]]:
    """Keys and sizes [W] of the load and of all together; none for a car without electric loads.

    The load is the largest that leaves the engine above the floor, else the smallest; together are those that
    come nearest to everything that settings are judged with.
    """
    sizes = [(name, float(getattr(car.loads, f"{name}_W"))) for name in ELECTRIC_LOADS]
    fitted = sorted((one for one in sizes if one[1] > 0.0), key=lambda one: one[1])
    if not fitted:
        return {}
    laden = [float(settled_rpm(car, [float(base)], WARM_degC, load_W=watts)[0]) for _, watts in fitted]
    carried = [one for one, rpm in zip(fitted, laden, strict=True) if rpm >= floor_rpm]
    asked_W = EVERYTHING_W_per_l * car.engine.displacement_cm3 / 1000.0
    some = [one for count in range(1, len(fitted) + 1) for one in combinations(fitted, count)]
    together = min(some, key=lambda one: abs(sum(watts for _, watts in one) - asked_W))
    every = ", ".join(name for name, _ in together), sum(watts for _, watts in together)
    return {"load": (carried or fitted[:1])[-1], "all": every}


def _reach(speeds: Floats, base: int, wanted_rpm: float, direction: int) -> int:
    """Steps from base, at least 1, that change speed by about what is wanted."""
    worth = np.abs(speeds - speeds[base])
    sizes = np.arange(1, (len(speeds) - 1 - base if direction > 0 else base) + 1)
    if not sizes.size:
        return 0
    return int(sizes[np.argmin(np.abs(worth[base + direction * sizes] - wanted_rpm))])


def _down(speeds: Floats, base: int, size: int, floor_rpm: float) -> int:
    """Steps to close from base: the size, or as many as keep the engine well above stalling."""
    while size > 0 and (base - size < LEAST_STEPS or speeds[base - size] < floor_rpm):
        size -= 1
    return size


def _advice(loads: dict[str, tuple[str, float]], base: int) -> tuple[Note, ...]:
    told = {name: Note("explanation.load", key=key, size_W=load_W) for name, (key, load_W) in loads.items()}
    if told and loads["all"] == loads["load"]:
        del told["all"]
    return (
        Note("guide.warm"), Note("guide.feedback_off"), Note("guide.by_hand", base_steps=base),
        Note("guide.load", **told) if told else Note("guide.any_load"),
        Note("guide.record", rate_Hz=RATE_Hz), Note("guide.throttle"),
    )  # fmt: skip


def _holds(
    car: Car, at: dict[str, int], duration_s: float, loads: dict[str, tuple[str, float]]
) -> tuple[Hold, ...]:
    """Lay out the pattern over the length wanted."""
    pattern = PATTERN + (MORE if duration_s >= LONG_s else ())
    stretch = duration_s / sum(length for _, length in pattern)
    holds, at_s = [], 0.0
    for name, length in pattern:
        load, load_W = loads.get(name, ("", 0.0))
        expected_rpm = float(settled_rpm(car, [float(at[name])], WARM_degC, load_W=load_W)[0])
        end_s = round(at_s + length * stretch, 1)
        holds.append(Hold(round(at_s, 1), end_s, at[name], load, load_W, round(expected_rpm, 1)))
        at_s = end_s
    return tuple(holds)


def recording_plan(car: Car, duration_s: float = DURATION_s) -> RecordingPlan:
    """Plan the recording of a log for a fit; sizes and lengths are common practice, no source.

    Parameters
    ----------
    car, duration_s : Car, float
        The car as it is known so far; length wanted, 60 or more; holds are stretched or shortened to it [s].

    Returns
    -------
    RecordingPlan: holds, steps up and down of three sizes, a load on and off, in 250 s and more all of them

    Raises
    ------
    ValueError
        If the length is below 60 s.
    """
    if not duration_s >= 60.0:
        raise ValueError(f"a recording of {duration_s:g} s, allowed: 60 s or more")
    limit = min(car.valve.open_limit_steps, car.valve.travel_steps)
    base = int(np.clip(round(curve_at(car.curves.base_steps, WARM_degC)), 0, limit))
    target = curve_at(car.curves.target_rpm, WARM_degC)
    floor_rpm = max(BELOW_TARGET * target, car.engine.stall_rpm + ABOVE_STALL_rpm)
    speeds = settled_rpm(car, np.arange(limit + 1.0), WARM_degC)
    loads = _loads(car, base, floor_rpm)
    laden = settled_rpm(car, np.arange(limit + 1.0), WARM_degC, load_W=loads.get("all", ("", 0.0))[1])
    wide = max(min(int(np.searchsorted(laden, target)) - base, _reach(speeds, base, WIDEST_rpm, 1)), 0)
    sizes = {
        "small": max(_reach(speeds, base, SMALL_rpm, 1), 1),
        "medium": max(_reach(speeds, base, MEDIUM_rpm, 1), 2),
        "large": max(_reach(speeds, base, LARGE_rpm, 1), 3),
    }
    offsets = {"base": 0, "load": 0, **sizes, "wide": wide, "all": wide}
    offsets["-small"] = -_down(speeds, base, sizes["small"], floor_rpm)
    offsets["-medium"] = -_down(speeds, base, sizes["medium"], floor_rpm)
    at = {name: int(np.clip(base + offset, 0, limit)) for name, offset in offsets.items()}
    holds = _holds(car, at, duration_s, loads)
    small, medium, large = sizes.values()
    return RecordingPlan(car.name, base, small, medium, large, holds, RATE_Hz, _advice(loads, base))
