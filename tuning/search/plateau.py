"""Whether settings stand on a plateau: on a real car those of a knife-edge may be on its bad side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tuning.notes import Told

RISE_SHARE = 0.10
"""A neighbour may score this much more of the chosen score [-]."""
WHOLE_RISE_SHARE = 0.20
"""The same for numbers of whole steps, where one step may be half of what is set [-]."""
WHOLE = ("min_move_steps", "nudge_steps")
RISE_rpm = 3.0
"""Or this much more, whichever is larger [rpm]."""


@dataclass(frozen=True)
class Plateau(Told):
    """Score of chosen settings and of neighbours, by what is changed, such as "deadband_rpm +1"."""

    TOLD = ("value_rpm", "neighbours_rpm", "allowed_rpm", "worst", "worst_rise_rpm", "steep", "is_flat")

    value_rpm: float
    neighbours_rpm: Mapping[str, float]

    @property
    def around_rpm(self) -> float:
        """Mean score of the settings and all neighbours [rpm]."""
        return (self.value_rpm + sum(self.neighbours_rpm.values())) / (1.0 + len(self.neighbours_rpm))

    @property
    def allowed_rpm(self) -> dict[str, float]:
        """Highest score each neighbour may have [rpm]."""
        shares = {n: WHOLE_RISE_SHARE if n.startswith(WHOLE) else RISE_SHARE for n in self.neighbours_rpm}
        own = self.value_rpm
        return {name: own + max(share * abs(own), RISE_rpm) for name, share in shares.items()}

    @property
    def worst(self) -> str:
        """Name of the worst neighbour; empty without any."""
        return max(self.neighbours_rpm, key=lambda n: self.neighbours_rpm[n], default="")

    @property
    def worst_rise_rpm(self) -> float:
        """How much more the worst neighbour scores, 0 if none is worse [rpm]."""
        return max(0.0, *(v - self.value_rpm for v in self.neighbours_rpm.values()), 0.0)

    def excess_rpm(self, *, whole: bool) -> float:
        """How much more a neighbour scores than it may, at most."""
        beyond = [
            score - self.allowed_rpm[name]
            for name, score in self.neighbours_rpm.items()
            if name.startswith(WHOLE) == whole
        ]
        return max(0.0, *beyond, 0.0)

    @property
    def steep(self) -> tuple[str, ...]:
        """Neighbours that score more than is allowed."""
        return tuple(n for n, v in self.neighbours_rpm.items() if v > self.allowed_rpm[n])

    @property
    def is_flat(self) -> bool:
        """Whether every neighbour is nearly as good."""
        return not self.steep
