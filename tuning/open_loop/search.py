"""Search of open-loop curves by starting the modelled car: base, cranking and after-start air.

Many curves are started, and the one nearest to the targets is bettered point by point.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim import Car, with_values
from tuning.measures import START_TOLERANCE_rpm
from tuning.notes import Note, Told
from tuning.starts import (
    LEAST_CRANKING_steps,
    LEAST_EXTRA_steps,
    Need,
    STABLE_s,
    StartResult,
    STARTS_degC,
    USUAL_FADE_s,
    start_results,
    target_moves,
)

Tell = Callable[[float], object]
SHIFTS_steps = (-1.0, 0.0, 1.0)
CRANKING_EXTRA_steps = (6.0, 14.0)
AFTER_START_steps = (2.0, 4.0, 9.0)
LEAST_AFTER_steps = 2.0  # After-start air is never cut to nothing; common practice, no source [steps].
SEEDS = tuple(range(11, 19))
CHANGES = (
    (0, -2.0), (0, -1.0), (0, 1.0), (0, 2.0), (1, -8.0), (1, 8.0), (2, -3.0), (2, 3.0),
)  # fmt: skip
"""Changes of a point that are tried: of base 0, cranking above base 1, after-start 2 [steps]."""
WEIGHTS = {"flare": 1.0, "dip": 2.0, "stable": 1.0}
"""What missing a target counts: a dip can end in a stall [-]."""
EASE = 0.02  # What a target that is met counts, so that it is met with ease [-].
WORTH = 0.01  # A change is made for more than this [-].
ROUNDS = 8  # How often points are bettered, every other one at a time.
SPARE = 0.85  # Targets are aimed at with this share of them, so that fresh starts meet them too [-].
FADE_WORTH = 0.2  # A longer fade is proposed if it saves this share of what is missed [-].


@dataclass(frozen=True)
class StartTargets(Told):
    """What a start should be like; common practice, no source."""

    flare_rpm: float = 500.0
    dip_rpm: float = 120.0
    stable_s: float = STABLE_s

    def ratios(self, one: StartResult) -> dict[str, float]:
        """What a start reached over what was aimed at; up to 1 is met [-]."""
        return {
            "flare": one.flare_rpm / self.flare_rpm,
            "dip": one.dip_rpm / self.dip_rpm,
            "stable": one.late_rpm / START_TOLERANCE_rpm,
        }

    def met(self, one: StartResult) -> bool:
        """Whether starts run and meet all targets."""
        return one.runs and max(self.ratios(one).values()) <= 1.0

    def wanted(self, name: str) -> Note:
        """What is wanted of one target, "flare", "dip" or "stable"."""
        if name in ("flare", "dip"):
            most_rpm = self.flare_rpm if name == "flare" else self.dip_rpm
            return Note("open_loop.wanted.most", most_rpm=most_rpm)
        return Note("open_loop.wanted.stable", within_rpm=START_TOLERANCE_rpm, stable_s=self.stable_s)


@dataclass(frozen=True)
class StartCurves:
    """Curves at the temperatures of the starts, never rising [steps], and base points at warmer ones."""

    base: tuple[float, ...]
    cranking: tuple[float, ...]
    after: tuple[float, ...]
    warm: tuple[tuple[float, float], ...]
    fade_s: float


@dataclass(frozen=True)
class SearchResult:
    """Curves found, all starts tried, and how far the target moves in each [rpm]."""

    curves: StartCurves
    tried: tuple[tuple[StartResult, ...], ...]
    moves: list[NDArray[np.float32]]


def cost(one: StartResult, aims: StartTargets) -> float:
    """How far a start is from what is aimed at; 100 for a car that does not run [-]."""
    if not one.runs:
        return 100.0
    ratios = aims.ratios(one).items()
    return sum(WEIGHTS[name] * max(0.0, ratio - SPARE) + EASE * ratio for name, ratio in ratios)


def with_start_curves(car: Car, curves: StartCurves) -> Car:
    """The car with curves at the temperatures of the starts."""

    def points(values: tuple[float, ...]) -> list[list[float]]:
        return [list(pair) for pair in zip(STARTS_degC, values, strict=True)]

    table = {
        "base_steps": [*points(curves.base), *map(list, curves.warm)],
        "cranking_steps": points(curves.cranking),
        "after_start_steps": points(curves.after),
        "after_start_fade_s": curves.fade_s,
    }
    return with_values(car, {"curves": table})


def falling(values: Any) -> tuple[float, ...]:
    """Make a curve that never rises with warmth: no point is below a warmer one."""
    return tuple(float(v) for v in np.maximum.accumulate(np.asarray(values)[::-1])[::-1])


@dataclass(frozen=True)
class _Form:
    """What curves of one search have in common: lowest cranking, and after-start air that outlasts oil."""

    fade_s: float
    slow: NDArray[np.float64]
    warm: tuple[tuple[float, float], ...]
    limit: float
    cranking: NDArray[np.float64]

    def curves(self, base: Any, extra: Any, air: Any) -> StartCurves:
        """Curves within the valve's limits from base, air above it while cranking, after-start."""
        least = max((steps for _, steps in self.warm), default=0.0)
        level = np.clip(np.rint(base), least, self.limit)
        above = level + self.slow + np.maximum(np.asarray(extra), LEAST_EXTRA_steps)
        least_cranking = np.maximum(self.cranking, LEAST_CRANKING_steps)
        cranking = np.minimum(np.maximum(above, least_cranking), self.limit)
        after = np.maximum(self.slow + np.asarray(air), LEAST_AFTER_steps)
        return StartCurves(falling(level), falling(cranking), falling(after), self.warm, self.fade_s)


class _Search:
    """Starts of many curves of one car, and what each came to."""

    def __init__(
        self, car: Car, aims: StartTargets, seed: int, moves: list[NDArray[np.float32]], tell: Tell
    ) -> None:
        self.car, self.aims, self.moves, self.tell = car, aims, moves, tell
        self.batches = 0
        self.seeds = [seed + one for one in SEEDS]
        self.tried: list[tuple[StartResult, ...]] = []

    def costs(self, tried: list[StartCurves]) -> NDArray[np.float64]:
        """Cost of each of some curves at each temperature; less air wins among equals."""
        cars = [with_start_curves(self.car, one) for one in tried]
        found = start_results(cars, STARTS_degC, self.seeds, self.aims.stable_s, self.moves)
        self.tried += found
        self.batches += 1
        self.tell(self.batches / (ROUNDS + 2))
        air = np.array([np.add(one.cranking, one.after) for one in tried])
        return np.array([[cost(one, self.aims) for one in row] for row in found]) + 1e-4 * air


def search_curves(
    car: Car, needs: Sequence[Need], warm: Sequence[tuple[float, float]], aims: StartTargets, seed: int,
    moves: list[NDArray[np.float32]] | None, cranking: Sequence[float], tell: Tell,
) -> SearchResult:  # fmt: skip
    """Find base, cranking and after-start curves whose starts come nearest to the targets.

    A valve that moves by no less than m steps stays half of that above a falling curve on average: the
    search begins that much lower. ``tell`` hears the share done. Source: our own; coordinate search.
    """
    forms = [_form(car, need, warm, cranking) for need in needs]
    if moves is None:
        begun = forms[0].curves(needs[0].base_steps[: len(STARTS_degC)], CRANKING_EXTRA_steps[0], 0.0)
        moves = target_moves(with_start_curves(car, begun), STARTS_degC)
    search = _Search(car, aims, seed, moves, lambda share: tell(share / len(needs)))
    found = [
        _searched(search, form, need, (0.0,) if need.fade_s else AFTER_START_steps)
        for form, need in zip(forms, needs, strict=True)
    ]
    best, least = found[0]
    for curves, missed in found[1:]:
        if missed < (1.0 - FADE_WORTH) * least:
            best = curves
    return SearchResult(best, tuple(search.tried), moves)


def _form(car: Car, need: Need, warm: Sequence[tuple[float, float]], cranking: Sequence[float]) -> _Form:
    """Curves with the fade of a need, or with the usual one nearest the owner's where it has none."""
    fade_s = need.fade_s or float(np.clip(car.curves.after_start_fade_s, *USUAL_FADE_s))
    limit = float(car.valve.open_limit_steps)
    return _Form(fade_s, np.rint(need.after_steps), tuple(warm), limit, np.asarray(cranking))


def _searched(search: _Search, form: _Form, need: Need, airs: Sequence[float]) -> tuple[StartCurves, float]:
    """The best curves of one form, and their cost."""
    count = len(STARTS_degC)
    middle = need.base_steps[:count] - 0.5 * (search.car.feedback.min_move_steps - 1)
    choices = [
        (middle + shift, np.full(count, extra), np.full(count, air))
        for shift in SHIFTS_steps
        for extra in CRANKING_EXTRA_steps
        for air in airs
    ]
    costs = search.costs([form.curves(*one) for one in choices])
    return _bettered(search, form, list(choices[int(np.argmin(costs.sum(axis=1)))]))


def _bettered(search: _Search, form: _Form, rows: list[NDArray[np.float64]]) -> tuple[StartCurves, float]:
    """Change every other point at a time: a point acts on its own start and on the next colder one."""
    best, least, kept = form.curves(*rows), np.inf, 0
    for turn in range(ROUNDS):
        if kept == 2:  # neither half of the points was changed: no later turn changes any
            break
        places = np.arange(turn % 2, len(STARTS_degC), 2)
        tried = [rows]
        for kind, by in CHANGES:
            other = [row.copy() for row in rows]
            other[kind][places] += by
            tried.append(other)
        costs = search.costs([form.curves(*one) for one in tried])
        if costs[0].sum() < least:
            least, best = float(costs[0].sum()), form.curves(*rows)
        felt = costs + np.concatenate([np.zeros((len(tried), 1)), costs[:, :-1]], axis=1)
        rows, kept = [row.copy() for row in rows], kept + 1
        for place in places:
            chosen = int(np.argmin(felt[:, place]))
            if felt[chosen, place] < felt[0, place] - WORTH:
                kind, by = CHANGES[chosen - 1]
                rows[kind][place] += by
                kept = 0
    last = form.curves(*rows)
    missed = float(search.costs([last]).sum())
    return (last, missed) if missed < least else (best, least)
