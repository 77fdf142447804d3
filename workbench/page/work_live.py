"""In the processes beside the server: runs and theory of Explore, given as plain values to draw."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import sim
import tuning
from workbench.page.wish import Wish
from workbench.words.wording import in_words, worded

MOST_POINTS = 480
"""A line is sent as no more: about one point a pixel and a half on a laptop."""


def is_compiled() -> bool:
    """Tell whether the machine code of this version is on disk."""
    from controllers import is_warm

    return is_warm()


def idle(car: sim.Car, wish: Wish, seed: int) -> dict[str, Any]:
    """Run one idle."""
    from workbench.page.live import run_view, rungs_of
    from workbench.page.points import changes, thinned

    run = run_view(car, wish, seed)
    time_s, lines = run.pop("time_s"), {name: run[name] for name in ("rpm", "valve_steps")}
    return run | {
        "rpm": thinned(time_s, lines["rpm"], MOST_POINTS),
        "valve_steps": changes(time_s, lines["valve_steps"], MOST_POINTS),
        "spans": {name: [float(one.min()), float(one.max())] for name, one in lines.items()},
        "rungs": rungs_of(wish.car(car), wish.coolant_degC, float(lines["valve_steps"][-1])),
    }


def pressure(car: sim.Car, wish: Wish, seed: int) -> list[list[float]]:
    """Manifold pressure of the same idle."""
    from workbench.page.live import pressure_of
    from workbench.page.points import thinned

    return thinned(*pressure_of(car, wish, seed), MOST_POINTS, 2)


def chance(car: sim.Car, coolant_degC: float, seed: int) -> dict[str, Any]:
    """How often the car hunts."""
    found = _chance(car, coolant_degC, seed)
    bad = found.may_hunt or found.stalled_share > 0.0
    return {"text": in_words(found.told), "hunts": found.hunts, "bad": bad}


def cause(car: sim.Car, coolant_degC: float, seed: int) -> str:
    """Why it hunts, by theory."""
    found = tuning.cause_by_theory(car, _chance(car, coolant_degC, seed), seed)
    return "" if found is None else in_words(found)


def hunting_map(car: sim.Car, coolant_degC: float, kind: str, seed: int) -> dict[str, Any] | None:
    """Where it hunts, over two settings."""
    found = tuning.hunting_map(car, _chance(car, coolant_degC, seed), kind, seed)
    return None if found is None else worded(found.to_dict())


@lru_cache(maxsize=8)
def _chance(car: sim.Car, coolant_degC: float, seed: int) -> tuning.StartChance:
    """Found once for sentence, cause and map of the same settings."""
    return tuning.hunting_chance(car, coolant_degC, seed)
