"""What a law tells of itself, for the page and the commands to ask: plain Python without the compiler."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from controllers.settings import Feedback

GAINS = ("gain_steps_per_100rpm", "integral_steps_per_100rpm_s", "derivative_steps_s_per_100rpm")
GAIN, INTEGRAL, DERIVATIVE = GAINS


class LinearPart(NamedTuple):
    """What a law does to a small error, outside its deadband and inside its limits."""

    gain_steps_per_100rpm: float
    integral_steps_per_100rpm_s: float
    derivative_steps_s_per_100rpm: float = 0.0


def own_gains(feedback: Feedback) -> LinearPart:
    """Proportional and integral gain as they are set."""
    return LinearPart(feedback.gain_steps_per_100rpm, feedback.integral_steps_per_100rpm_s)


def gains_times(feedback: Feedback, share: float) -> dict[str, Any]:
    """All gains multiplied, as changes of table [feedback]; the law's times stay."""
    return {key: getattr(feedback, key) * share for key in GAINS}


def gains_for_finer_steps(feedback: Feedback, parts: int) -> dict[str, Any]:
    """Gains for a valve with so many small steps in place of each, as changes of [feedback]."""
    return {key: min(500.0, getattr(feedback, key) * parts) for key in GAINS}


@dataclass(frozen=True)
class Law:
    """A law's description of itself.

    ``name`` and ``code``: as in the car file, and in compiled code. ``settings``: keys of table [feedback]
    that act in this law but not in every one; ``searched``: those that a search varies, ``searched_unasked``
    whether it tries this law where none is asked for. From settings: ``linear``, the linear part, or the
    gains that move as fast; ``resting_band_rpm``, the half-width within which the law leaves the valve alone;
    ``tread_steps``, how far the positions lie apart between which the valve goes to and fro. Changes of table
    [feedback]: ``eased`` leaves a share of the linear part, ``finer`` does the same through a valve that has
    so many small steps in place of each.
    """

    name: str
    code: float
    settings: tuple[str, ...] = ()
    searched: tuple[str, ...] = ()
    searched_unasked: bool = False
    linear: Callable[[Feedback], LinearPart] = own_gains
    resting_band_rpm: Callable[[Feedback], float] = attrgetter("deadband_rpm")
    tread_steps: Callable[[Feedback], int] = attrgetter("min_move_steps")
    eased: Callable[[Feedback, float], dict[str, Any]] = gains_times
    finer: Callable[[Feedback, int], dict[str, Any]] = gains_for_finer_steps

    @property
    def has_gains(self) -> bool:
        """Whether its linear part is its own gains, and not what moves as fast."""
        return GAIN in self.settings
