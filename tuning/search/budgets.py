"""How much a search spends: trials, cars and seeds, never seconds, so that no machine changes a result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sim.files import one_problem


@dataclass(frozen=True)
class Budget:
    """Size of a search: candidates in all, those proposed ``widely``, cars and seeds of each stage."""

    name: str
    trials: int
    widely: int
    cars: int
    seeds: int
    finalists: int
    selection_cars: int
    selection_seeds: int
    verdict_cars: int
    verdict_seeds: int
    batch: int

    @property
    def engines(self) -> int:
        """Different plausible cars in all; the car as its file says is among each group."""
        return self.cars + self.selection_cars + self.verdict_cars - 2


BUDGETS: Mapping[str, Budget] = {
    "quick": Budget("quick", 120, 40, 6, 4, 4, 10, 3, 20, 3, 10),
    "normal": Budget("normal", 300, 60, 10, 6, 6, 16, 4, 30, 4, 8),
    "deep": Budget("deep", 1000, 150, 24, 8, 8, 32, 6, 60, 6, 8),
}
"""quick: about 10 s; normal: 30 to 40 s; deep: some minutes."""


def budget_of(name: str) -> Budget:
    """Find a budget."""
    if name not in BUDGETS:
        message = f"there is no such budget ({name}), allowed: {', '.join(BUDGETS)}"
        raise one_problem("command line", 1, "budget", message)
    return BUDGETS[name]
