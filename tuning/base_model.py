"""Open-loop curves proposed from the model: base, cranking and after-start, beside the owner's own.

Where starts are tried, -20 to 40 degC, the curves come from ``tuning.base_search``: what the engine
needs while it warms up, bettered by starting it without feedback.  Warmer, the base is where the
model settles at the target with the valve held, its oil as far behind the coolant as it is while
warming up.  Nothing is applied; targets that cannot be met are named, with what limits them.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tuning.base_limits import MissedTarget, missed_targets, worse_than_now
from tuning.base_search import (
    LEAST_CRANKING_steps,
    LEAST_EXTRA_steps,
    SearchResult,
    STARTS_degC,
    StartTargets,
    falling,
    needed_steps,
    search_curves,
)
from tuning.start_trials import StartResult, start_results

if TYPE_CHECKING:
    from sim import Car

WARM_degC = (55.0, 70.0, 90.0)
FRESH_SEEDS = (101, 102, 103, 104, 105, 106)
OIL_BEHIND_K = ((-20.0, 3.0), (20.0, 6.0), (50.0, 10.0), (90.0, 0.0))
"""[degC, K] how far oil is behind coolant in a warm-up at idle, by the model's own runs of
water-cooled cars; behind the head of an air-cooled one it is up to 10 K farther."""


@dataclass(frozen=True)
class ProposedPoint:
    """The curves at one temperature, now and proposed.

    Attributes
    ----------
    coolant_degC : float
        Coolant temperature [degC].
    target_rpm : float
        Idle speed wanted there [rpm].
    base_now_steps, base_steps : float
        Base curve [steps].
    cranking_now_steps, cranking_steps : float
        Cranking curve [steps].
    after_now_steps, after_steps : float
        After-start air [steps].
    reached : bool
        Whether the open limit gives the base that the engine needs there.
    """

    coolant_degC: float
    target_rpm: float
    base_now_steps: float
    base_steps: float
    cranking_now_steps: float
    cranking_steps: float
    after_now_steps: float
    after_steps: float
    reached: bool


@dataclass(frozen=True)
class BaseProposal:
    """Curves proposed from the model, and how starts go with the owner's and with these.

    Attributes
    ----------
    car : str
        Name of the car.
    points : tuple of ProposedPoint
        From cold to warm.
    now, proposed : tuple of StartResult
        Starts without feedback at the cold temperatures, worst of several.
    targets : StartTargets
        What was aimed at.
    missed : tuple of MissedTarget
        Targets that the proposed curves do not meet, and why.
    worse : tuple of str
        Where a start is farther from a target than with the owner's curves.
    """

    car: str
    points: tuple[ProposedPoint, ...]
    now: tuple[StartResult, ...]
    proposed: tuple[StartResult, ...]
    targets: StartTargets
    missed: tuple[MissedTarget, ...] = ()
    worse: tuple[str, ...] = ()

    def curves(self) -> dict[str, list[list[float]]]:
        """Give the proposed curves in the form of a car file's table [curves].

        Returns
        -------
        dict of str to list
            ``base_steps``, ``cranking_steps``, ``after_start_steps``.
        """
        return {
            "base_steps": [[p.coolant_degC, p.base_steps] for p in self.points],
            "cranking_steps": [[p.coolant_degC, p.cranking_steps] for p in self.points],
            "after_start_steps": [[p.coolant_degC, p.after_steps] for p in self.points],
        }

    def to_dict(self) -> dict[str, Any]:
        """Give the proposal as plain values.

        Returns
        -------
        dict
            Curves, points and starts.
        """
        return {
            "car": self.car,
            "source": "model",
            "targets": asdict(self.targets),
            "curves": self.curves(),
            "points": [asdict(point) for point in self.points],
            "starts_now": [one.to_dict() for one in self.now],
            "starts_proposed": [one.to_dict() for one in self.proposed],
            "missed": [asdict(one) for one in self.missed],
            "worse": list(self.worse),
        }

    def lines(self) -> list[str]:
        """Tell the proposal in words; the first line is the verdict.

        Returns
        -------
        list of str
            Curves, starts, targets missed and why, and what is worse than now.
        """
        met, were = (
            sum(self.targets.met(one) for one in starts) for starts in (self.proposed, self.now)
        )
        fails = sum(not one.runs for one in self.proposed)
        aims = self.targets
        told = [
            (
                f"{self.car}: curves proposed from the model; starts without feedback meet all"
                f" targets at {met} of {len(self.proposed)} temperatures, with your own curves at"
                f" {were} ({fails} do not run). Nothing was changed."
            ),
            (
                f"targets: flare {aims.wanted('flare')}, dip {aims.wanted('dip')}, speed"
                f" {aims.wanted('stable')}"
            ),
        ]
        told += [
            f"{p.coolant_degC:4.0f} degC: base {p.base_now_steps:.0f} -> {p.base_steps:.0f},"
            f" cranking {p.cranking_now_steps:.0f} -> {p.cranking_steps:.0f},"
            f" after-start {p.after_now_steps:.0f} -> {p.after_steps:.0f} steps"
            + ("" if p.reached else "; the open limit does not reach the target speed here")
            for p in self.points
        ]
        told += [
            f"start at {new.coolant_degC:.0f} degC: {old.told()}; proposed: {new.told()}"
            for old, new in zip(self.now, self.proposed, strict=True)
        ]
        return [*told, *(one.told() for one in self.missed), *self.worse]


def base_from_model(
    car: Car, targets: StartTargets | None = None, *, seed: int = 0
) -> BaseProposal:
    """Propose base, cranking and after-start curves from the model.

    Parameters
    ----------
    car : Car
        The car; its target speeds and its fade of after-start air are kept.
    targets : StartTargets, optional
        What a start should be like.
    seed : int
        Added to the seeds of all starts.

    Returns
    -------
    BaseProposal
        Beside the owner's curves; never applied.
    """
    aims = targets or StartTargets()
    limit = float(car.valve.open_limit_steps)
    need = needed_steps(car, seed)
    settled = np.array([_base(car, degC)[0] for degC in STARTS_degC])
    need = np.where(np.isfinite(need), need, settled)
    found = search_curves(car, need, aims, seed)
    points = _points(car, found, need)
    proposal = BaseProposal(car.name, points, (), (), aims)
    seeds = [seed + one for one in FRESH_SEEDS]
    cars = [car, with_curves(car, proposal.curves())]
    now, proposed = start_results(cars, STARTS_degC, seeds, aims.stable_s)
    return replace(
        proposal,
        now=now,
        proposed=proposed,
        missed=missed_targets(proposed, found.tried, aims, need, limit, _above_rpm(car, need)),
        worse=worse_than_now(now, proposed, aims),
    )


def with_curves(car: Car, curves: dict[str, list[list[float]]]) -> Car:
    """Return the car with some of its curves replaced.

    Parameters
    ----------
    car : Car
        Left as it is.
    curves : dict of str to list
        As of ``BaseProposal.curves``.

    Returns
    -------
    Car
        The changed car.
    """
    from sim import with_values

    return with_values(car, {"curves": curves})


def _at(curve: tuple[tuple[float, float], ...], coolant_degC: float) -> float:
    """Read a curve as the controller does: straight lines, held beyond its ends."""
    points = np.asarray(curve)
    return float(np.interp(coolant_degC, points[:, 0], points[:, 1]))


def _points(car: Car, found: SearchResult, need: Any) -> tuple[ProposedPoint, ...]:
    """Own and proposed curves, from the coldest start to warm."""
    limit = float(car.valve.open_limit_steps)
    held = 0.5 * (car.feedback.min_move_steps - 1)
    warm = [_base(car, degC) for degC in WARM_degC]
    base = falling([*found.curves.base, *(np.floor(max(one - held, 0.0)) for one, _ in warm)])
    least = [
        min(max(steps + LEAST_EXTRA_steps, LEAST_CRANKING_steps), limit)
        for steps in base[len(STARTS_degC) :]
    ]
    crank = falling([*found.curves.cranking, *least])
    after = falling([*found.curves.after, *[found.curves.after[-1]] * len(WARM_degC)])
    reached = [*(need <= limit), *(there for _, there in warm)]
    curves = car.curves
    return tuple(
        ProposedPoint(
            degC, _at(curves.target_rpm, degC), _at(curves.base_steps, degC), base[i],
            _at(curves.cranking_steps, degC), crank[i],
            _at(curves.after_start_steps, degC), after[i], bool(reached[i]),
        )
        for i, degC in enumerate((*STARTS_degC, *WARM_degC))
    )  # fmt: skip


def _above_rpm(car: Car, need: Any) -> list[float]:
    """Worth of the steps by which the valve may stay above a falling curve, at each start [rpm]."""
    from sim.linearise import settled_rpm

    above = float(car.feedback.min_move_steps - 1)
    limit = float(car.valve.open_limit_steps)
    worth = []
    for coolant_degC, steps in zip(STARTS_degC, np.clip(need, 0.0, limit), strict=True):
        there = [steps, min(steps + above, limit)]
        low, high = settled_rpm(car, there, coolant_degC, ambient_degC=coolant_degC)
        worth.append(float(high - low))
    return worth


def _base(car: Car, coolant_degC: float) -> tuple[float, bool]:
    """Whole steps at which the model settles nearest its target, and whether it reaches it.

    A warming engine has colder oil than its coolant tells: it is settled that much colder,
    unless the controller goes by the oil itself.
    """
    from sim.linearise import settled_rpm

    steps = np.arange(float(car.valve.open_limit_steps) + 1.0)
    behind = 0.0 if car.sensors.temperature_of == "oil" else _at(OIL_BEHIND_K, coolant_degC)
    settled = settled_rpm(car, steps, coolant_degC - behind)
    target = _at(car.curves.target_rpm, coolant_degC)
    above = np.flatnonzero(settled >= target)
    if not above.size:
        return float(steps[-1]), False
    first = int(above[0])
    if first > 0 and target - settled[first - 1] < settled[first] - target:
        first -= 1
    return float(steps[first]), True
