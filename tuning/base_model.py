"""Open-loop curves proposed from the model: base, cranking and after-start, beside the owner's own.

The base is where the model settles at the target with the valve held, its oil as far behind the
coolant as it is while warming up.  Cranking and after-start
air are chosen by starting the modelled engine without feedback, over temperature and chance,
with many pairs of extra steps, and taking at each temperature the pair that comes nearest to
the targets for flare, dip and time to stable.  Nothing is applied.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tuning.start_trials import StartResult, start_results

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim import Car

STARTS_degC = (-20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0)
WARM_degC = (55.0, 70.0, 90.0)
CRANKING_EXTRA_steps = (6.0, 12.0, 20.0, 30.0)
AFTER_START_steps = (0.0, 4.0, 8.0, 14.0, 20.0)
SEEDS = (11, 12, 13, 14)
FRESH_SEEDS = (101, 102, 103, 104, 105, 106)
LEAST_CRANKING_steps = 20.0
"""No cranking position below this; common practice, no source [steps]."""
OIL_BEHIND_K = ((-20.0, 3.0), (20.0, 6.0), (50.0, 10.0), (90.0, 0.0))
"""[degC, K] how far oil is behind coolant in a warm-up at idle, by the model's own runs."""


@dataclass(frozen=True)
class StartTargets:
    """What a start should be like; common practice, no source.

    Attributes
    ----------
    flare_rpm : float
        Highest above target [rpm].
    dip_rpm : float
        Lowest below target once it was reached [rpm].
    stable_s : float
        From the key to stable idle [s].
    """

    flare_rpm: float = 500.0
    dip_rpm: float = 120.0
    stable_s: float = 20.0


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
        Whether the open limit gives the base that the target needs.
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
    """

    car: str
    points: tuple[ProposedPoint, ...]
    now: tuple[StartResult, ...]
    proposed: tuple[StartResult, ...]
    targets: StartTargets

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
        }

    def lines(self) -> list[str]:
        """Tell the proposal in words; the first line is the verdict.

        Returns
        -------
        list of str
            One line a temperature after the first.
        """
        fails = sum(not one.runs for one in self.proposed)
        were = sum(not one.runs for one in self.now)
        verdict = (
            f"{self.car}: curves proposed from the model; starts without feedback fail at"
            f" {fails} of {len(self.proposed)} temperatures, with your own curves at {were}."
            " Nothing was changed."
        )
        told = [verdict]
        told += [
            f"{p.coolant_degC:4.0f} degC: base {p.base_now_steps:.0f} -> {p.base_steps:.0f},"
            f" cranking {p.cranking_now_steps:.0f} -> {p.cranking_steps:.0f},"
            f" after-start {p.after_now_steps:.0f} -> {p.after_steps:.0f} steps"
            + ("" if p.reached else "; the open limit does not reach the target speed here")
            for p in self.points
        ]
        return told + [
            f"start at {new.coolant_degC:.0f} degC: {old.told()}; proposed: {new.told()}"
            for old, new in zip(self.now, self.proposed, strict=True)
        ]


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
    places = (*STARTS_degC, *WARM_degC)
    base, reached = zip(*(_base(car, degC) for degC in places), strict=True)
    crank, after = _start_air(car, base, aims, seed)
    count = len(STARTS_degC)
    # Warm starts take what the warmest tried start takes, and never less than 4 steps above base.
    extra = max(crank[-1] - base[count - 1], CRANKING_EXTRA_steps[0])
    limit = float(car.valve.open_limit_steps)
    crank += [min(max(steps + extra, LEAST_CRANKING_steps), limit) for steps in base[count:]]
    after += [after[-1]] * len(WARM_degC)
    rows = _falling([base, crank, after])
    curves = car.curves
    points = tuple(
        ProposedPoint(
            degC, _at(curves.target_rpm, degC), _at(curves.base_steps, degC), rows[0][i],
            _at(curves.cranking_steps, degC), rows[1][i],
            _at(curves.after_start_steps, degC), rows[2][i], reached[i],
        )
        for i, degC in enumerate(places)
    )  # fmt: skip
    proposal = BaseProposal(car.name, points, (), (), aims)
    seeds = [seed + one for one in FRESH_SEEDS]
    changed = with_curves(car, proposal.curves())
    now, proposed = start_results([car, changed], STARTS_degC, seeds)
    return BaseProposal(car.name, points, now, proposed, aims)


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


def _base(car: Car, coolant_degC: float) -> tuple[float, bool]:
    """Whole steps at which the model settles nearest its target, and whether it reaches it.

    A warming engine has colder oil than its coolant tells: it is settled that much colder.
    """
    from sim.linearise import settled_rpm

    steps = np.arange(float(car.valve.open_limit_steps) + 1.0)
    settled = settled_rpm(car, steps, coolant_degC - _at(OIL_BEHIND_K, coolant_degC))
    target = _at(car.curves.target_rpm, coolant_degC)
    above = np.flatnonzero(settled >= target)
    if not above.size:
        return float(steps[-1]), False
    first = int(above[0])
    if first > 0 and target - settled[first - 1] < settled[first] - target:
        first -= 1
    return float(steps[first]), True


def _falling(rows: list[Any]) -> list[list[float]]:
    """Make curves that never rise with warmth: none is below a warmer point of itself."""
    return [[float(v) for v in np.maximum.accumulate(np.asarray(row)[::-1])[::-1]] for row in rows]


def _start_air(
    car: Car, base: tuple[float, ...], aims: StartTargets, seed: int
) -> tuple[list[float], list[float]]:
    """Cranking steps and after-start air at each temperature of a start: the best pair tried."""
    limit = float(car.valve.open_limit_steps)
    count = len(STARTS_degC)
    pairs = [(extra, air) for extra in CRANKING_EXTRA_steps for air in AFTER_START_steps]
    plain = with_curves(car, {"base_steps": [list(p) for p in _points(base[:count])]})
    tried = []
    for extra, air in pairs:
        cranking = [min(steps + extra, limit) for steps in base[:count]]
        curves = {
            "cranking_steps": [list(p) for p in _points(cranking)],
            "after_start_steps": [[STARTS_degC[0], air], [STARTS_degC[-1], air]],
        }
        tried.append(with_curves(plain, curves))
    found = start_results(tried, STARTS_degC, [seed + one for one in SEEDS])
    cost: NDArray[np.float64] = np.array(
        [[_cost(one, aims) + 0.002 * sum(pair) for one in row]
         for pair, row in zip(pairs, found, strict=True)]
    )  # fmt: skip
    best = [pairs[int(i)] for i in np.argmin(cost, axis=0)]
    crank = [
        min(max(b + extra, LEAST_CRANKING_steps), limit)
        for b, (extra, _) in zip(base, best, strict=False)
    ]
    # Few seeds tried in coarse steps: neighbours are averaged.
    chosen = np.array([pair[1] for pair in best])
    padded = np.concatenate([chosen[:1], chosen, chosen[-1:]])
    return crank, [float(v) for v in np.rint(np.convolve(padded, np.ones(3) / 3.0, "valid"))]


def _points(values: Any) -> list[tuple[float, float]]:
    return list(zip(STARTS_degC, values, strict=True))


def _cost(one: StartResult, aims: StartTargets) -> float:
    """How far a start is from what is aimed at; a failed one is far."""
    if not one.runs:
        return 100.0
    over = max(0.0, one.flare_rpm - aims.flare_rpm) / aims.flare_rpm
    under = max(0.0, one.target_rpm - one.lowest_rpm - aims.dip_rpm) / aims.dip_rpm
    late = max(0.0, one.stable_s - aims.stable_s) / aims.stable_s
    return over + under + late
