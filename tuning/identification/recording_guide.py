"""How to record a log that a fit can learn from: holds, steps and one load, sized for the car.

Speed is to move well above its scatter and stay well away from stalling and from racing, so the
steps are worked out from what each position of this car's valve is worth.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim import Car

Floats = NDArray[np.float64]

WARM_degC = 90.0
RATE_Hz = 20.0
"""Rows a second to record [Hz]; the least that shows how fast the manifold fills is about 5."""
DURATION_s = 180.0
SMALL_rpm, MEDIUM_rpm, LARGE_rpm = 55.0, 110.0, 200.0
"""What the three sizes of step are to be worth [rpm]."""
BELOW_TARGET = 0.82
"""Lowest settled speed of the plan over the target [-]."""
ABOVE_STALL_rpm = 250.0
"""Lowest settled speed of the plan above stalling [rpm]."""
ELECTRIC_LOADS = ("lamps", "fan", "screen")

PATTERN = (
    ("base", 18.0), ("small", 9.0), ("base", 7.0), ("-small", 9.0), ("base", 7.0), ("medium", 9.0),
    ("small", 6.0), ("large", 9.0), ("base", 8.0), ("-medium", 9.0), ("small", 7.0),
    ("-small", 7.0), ("medium", 7.0), ("base", 9.0), ("load", 16.0), ("base", 14.0),
    ("large", 6.0), ("medium", 6.0), ("-small", 8.0), ("base", 9.0),
)  # fmt: skip
"""Position (or load) and length of each hold [-, s]: up and down, small and large, both ways."""

CAUTIONS = (
    (
        "Running engines kill: work outdoors or with the exhaust drawn off (carbon monoxide), keep"
        " clear of fan, belts and hot parts."
    ),
    (
        "Chock the wheels, brake on, gearbox in neutral; a fire extinguisher at hand and a second"
        " person who can switch off."
    ),
    (
        "A wrong direction or a lost position can race the engine: keep a hand on the key, and"
        " switch off if speed runs away or the engine labours."
    ),
    (
        "The expected speeds are a model's. Skip a hold that sounds wrong; a shorter log still"
        " fits, with wider uncertainty."
    ),
)
"""What to mind, shown wherever the plan is shown."""


@dataclass(frozen=True)
class Hold:
    """One stretch of the recording with nothing changed.

    Attributes
    ----------
    from_s, to_s : float
        Beginning and end [s].
    steps : int
        Valve position to set [steps].
    load : str
        Load to have switched on, empty for none.
    expected_rpm : float
        Where the car file says the engine settles, 0 if it would stall [rpm].
    """

    from_s: float
    to_s: float
    steps: int
    load: str
    expected_rpm: float


@dataclass(frozen=True)
class RecordingPlan:
    """How to record a useful log on one car.

    Attributes
    ----------
    car : str
        Name of the car.
    base_steps : int
        Where the valve stands between steps [steps].
    small_steps, medium_steps, large_steps : int
        Sizes of step [steps].
    holds : tuple of Hold
        What to do, in order.
    load_W : float
        Size of the load used, 0 without one [W].
    rate_Hz : float
        Rows a second [Hz].
    advice : tuple of str
        What to see to before, in order.
    cautions : tuple of str
        What to mind.
    """

    car: str
    base_steps: int
    small_steps: int
    medium_steps: int
    large_steps: int
    holds: tuple[Hold, ...]
    load_W: float
    rate_Hz: float
    advice: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def duration_s(self) -> float:
        """Length of the recording [s]."""
        return self.holds[-1].to_s

    def lines(self) -> list[str]:
        """The plan as text, a line a hold.

        Gives lines for people.
        """
        minutes = self.duration_s / 60.0
        rows = [f"Recording plan for {self.car}: {minutes:.1f} minutes at {self.rate_Hz:g} Hz", ""]
        rows += [f"{number}. {text}" for number, text in enumerate(self.advice, 1)]
        rows += ["", "  from     to   valve    about", "     s      s   steps      rpm"]
        for hold in self.holds:
            load = f"   {hold.load} on" if hold.load else ""
            rows.append(
                f"{hold.from_s:6.0f} {hold.to_s:6.0f} {hold.steps:7d}"
                f" {hold.expected_rpm:8.0f}{load}"
            )
        return [*rows, "", *self.cautions]

    def to_dict(self) -> dict[str, Any]:
        """Give the plan as plain values, ready for JSON.

        Gives by attribute; each hold a dict.
        """
        return asdict(self) | {"duration_s": self.duration_s}


def warm_base_steps(car: Car, coolant_degC: float = WARM_degC) -> float:
    """Read the base curve.

    Gives valve position [steps].
    """
    points = np.asarray(car.curves.base_steps, dtype=float)
    return float(np.interp(coolant_degC, points[:, 0], points[:, 1]))


def _fitting_load(car: Car, base: int, floor_rpm: float) -> tuple[str, float]:
    """The largest electric load that leaves the engine above the floor, else the smallest."""
    from sim.linearise import settled_rpm

    fitted = [(float(getattr(car.loads, f"{name}_W")), name) for name in ELECTRIC_LOADS]
    fitted = sorted(one for one in fitted if one[0] > 0.0)
    if not fitted:
        return "", 0.0
    chosen = fitted[0]
    for watts, name in fitted[1:]:
        if float(settled_rpm(car, [float(base)], WARM_degC, load_W=watts)[0]) >= floor_rpm:
            chosen = (watts, name)
    return chosen[1], chosen[0]


def _reach(speeds: Floats, base: int, wanted_rpm: float, direction: int) -> int:
    """Steps from base, at least 1, that change speed by about what is wanted."""
    worth = np.abs(speeds - speeds[base])
    sizes = np.arange(1, (len(speeds) - 1 - base if direction > 0 else base) + 1)
    if not sizes.size:
        return 0
    return int(sizes[np.argmin(np.abs(worth[base + direction * sizes] - wanted_rpm))])


def _down(speeds: Floats, base: int, size: int, floor_rpm: float) -> int:
    """Steps to close from base: the size, or as many as keep the engine well above stalling."""
    while size > 0 and (base - size < 0 or speeds[base - size] < floor_rpm):
        size -= 1
    return size


def _advice(load: str, load_W: float, base: int) -> tuple[str, ...]:
    switch = (
        f"Use the {load} ({load_W:.0f} W) as the load, everything else off."
        if load
        else "Have one load of known watts ready, everything else off."
    )
    return (
        "Warm the engine fully; coolant must not change by more than a few degrees meanwhile.",
        (
            "Switch idle feedback off: the valve must stand still between your changes. If the "
            "controller trims spark or mixture at idle, switch that off too, or record both."
        ),
        f"Set the valve by hand (its base curve when warm will do), beginning at {base} steps.",
        switch,
        (
            f"Record time, rpm and commanded valve steps at {RATE_Hz:g} rows a second or as fast as"
            " the controller gives; manifold pressure, coolant, battery voltage and spark too if it"
            " can."
        ),
        "Do not touch the throttle. Times need not be exact: only hold still between changes.",
    )


def _holds(
    at: dict[str, int], duration_s: float, load: str, speeds: tuple[Floats, Floats]
) -> tuple[Hold, ...]:
    """Lay out the pattern over the length wanted; ``speeds`` are those without and with load."""
    stretch = duration_s / sum(length for _, length in PATTERN)
    holds, at_s = [], 0.0
    for name, length in PATTERN:
        on = load if name == "load" else ""
        expected_rpm = float(speeds[bool(on)][at[name]])
        end_s = round(at_s + length * stretch, 1)
        holds.append(Hold(round(at_s, 1), end_s, at[name], on, round(expected_rpm, 1)))
        at_s = end_s
    return tuple(holds)


def recording_plan(car: Car, duration_s: float = DURATION_s) -> RecordingPlan:
    """Plan the recording of a log that the fit can learn from.

    Parameters
    ----------
    car : Car
        The car as it is known so far.
    duration_s : float
        Length wanted, 60 or more; holds are stretched or shortened to it [s].

    Returns
    -------
    RecordingPlan
        Holds, steps up and down of three sizes, a load on and off.

    Raises
    ------
    ValueError
        If the length is below 60 s.

    Notes
    -----
    Source: sizes a few times the scatter of idle speed, holds a few time constants long:
    common practice, no source.
    """
    if not duration_s >= 60.0:
        raise ValueError(f"a recording of {duration_s:g} s, allowed: 60 s or more")
    from sim.linearise import settled_rpm

    limit = min(car.valve.open_limit_steps, car.valve.travel_steps)
    base = int(np.clip(round(warm_base_steps(car)), 0, limit))
    target = float(np.interp(WARM_degC, *np.asarray(car.curves.target_rpm, dtype=float).T))
    floor_rpm = max(BELOW_TARGET * target, car.engine.stall_rpm + ABOVE_STALL_rpm)
    load, load_W = _fitting_load(car, base, floor_rpm)
    speeds = settled_rpm(car, np.arange(limit + 1.0), WARM_degC)
    loaded = settled_rpm(car, np.arange(limit + 1.0), WARM_degC, load_W=load_W)
    sizes = {
        "small": max(_reach(speeds, base, SMALL_rpm, 1), 1),
        "medium": max(_reach(speeds, base, MEDIUM_rpm, 1), 2),
        "large": max(_reach(speeds, base, LARGE_rpm, 1), 3),
    }
    offsets = {"base": 0, "load": 0, **sizes}
    offsets["-small"] = -_down(speeds, base, sizes["small"], floor_rpm)
    offsets["-medium"] = -_down(speeds, base, sizes["medium"], floor_rpm)
    at = {name: int(np.clip(base + offset, 0, limit)) for name, offset in offsets.items()}
    return RecordingPlan(
        car=car.name,
        base_steps=base,
        small_steps=sizes["small"],
        medium_steps=sizes["medium"],
        large_steps=sizes["large"],
        holds=_holds(at, duration_s, load, (speeds, loaded)),
        load_W=load_W,
        rate_Hz=RATE_Hz,
        advice=_advice(load, load_W, base),
        cautions=CAUTIONS,
    )


__all__ = ["CAUTIONS", "Hold", "RecordingPlan", "recording_plan", "warm_base_steps"]
