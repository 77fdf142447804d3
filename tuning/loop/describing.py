"""Describing functions of what is not linear in the controller's shell.

A describing function is the gain of a nonlinearity for the first harmonic of a sine.  The shell
has two nonlinear parts with the linear PI law between them:

* the deadband on the error: e if ``|e| > D``, else 0 (a threshold, which jumps at D; the textbook
  dead zone, which starts from 0 at D, is here too because it is the one that tables list);
* rounding and minimum move with its memory: the command changes only when the rounded wanted
  position differs from it by at least m steps.  For a slowly varying input this is a staircase of
  relays with hysteresis: from position c the command goes to c + m as the input passes
  c + m - 1/2 and returns as it passes c + 1/2, so a tread is m steps and the hysteresis
  half-width (m - 1)/2.  With m = 1 it is the mid-tread quantiser of whole steps.

Each comes as a plain closed form and as a subclass of python-control's
``DescribingFunctionNonlinearity``, whose call follows the semantics step by step, so that
``control.describing_function(..., try_method=False)`` checks the closed form.
Relay, saturation and backlash are python-control's own.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tuning.loop.delays import Complexes, Reals


def _ratio(amplitude: ArrayLike, edge: float) -> Reals:
    size = np.asarray(amplitude, dtype=float)
    if np.any(size < 0.0):
        raise ValueError(f"amplitude: {np.min(size)}, allowed: 0 or more")
    if edge < 0.0:
        raise ValueError(f"width: {edge}, allowed: 0 or more")
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(size > edge, edge / np.where(size > 0.0, size, 1.0), 1.0)


def deadband_gain(amplitude: ArrayLike, half_width: float) -> Reals:
    """Describing function of the shell's deadband: x if ``|x|`` is above it, else 0.

    Gives gain 0 to 1, real: no phase shift [-].

    With sin t = D/A: N = 1 - (2/pi)(t - sin t cos t), 0 for A up to D.
    Source: first Fourier coefficient, derivation our own (a threshold, cf. Gelb & Vander Velde,
    Multiple-Input Describing Functions, 1968, appendix B, from memory).
    """
    x = _ratio(amplitude, half_width)
    return np.asarray(1.0 - (2.0 / math.pi) * (np.arcsin(x) - x * np.sqrt(1.0 - x * x)))


def dead_zone_gain(amplitude: ArrayLike, half_width: float) -> Reals:
    """Describing function of the textbook dead zone: x less the half-width outside it, else 0.

    Gives gain 0 to 1, real [-].

    Source: Gelb & Vander Velde, Multiple-Input Describing Functions, 1968, appendix B (from
    memory).
    """
    x = _ratio(amplitude, half_width)
    return np.asarray(1.0 - (2.0 / math.pi) * (np.arcsin(x) + x * np.sqrt(1.0 - x * x)))


def _relays(
    amplitude: ArrayLike, tread: float, hysteresis: float, offset: ArrayLike
) -> tuple[Reals, Reals, Reals]:
    """Crossing levels of the staircase's relays over the amplitude, on a new last axis.

    Returns the sine's amplitude (infinite where a relay is not crossed both ways), and the levels
    at which each relay goes up and down.
    """
    size, shift = np.broadcast_arrays(
        np.asarray(amplitude, dtype=float), np.asarray(offset, dtype=float)
    )
    if np.any(size < 0.0):
        raise ValueError(f"amplitude: {np.min(size)}, allowed: 0 or more")
    if tread <= 0.0 or hysteresis < 0.0:
        raise ValueError(
            f"tread, hysteresis: {tread}, {hysteresis}, allowed: above 0, and 0 or more"
        )
    reach = float(np.max(size + np.abs(shift), initial=0.0))
    count = math.ceil(reach / tread) + 1
    centres = np.arange(-count, count + 1) * tread - shift[..., None]
    crossed = size[..., None] > np.abs(centres) + hysteresis
    safe = np.where(crossed, size[..., None], np.inf)
    return safe, centres + hysteresis, centres - hysteresis


def staircase_gain(
    amplitude: ArrayLike, tread: float, hysteresis: float = 0.0, offset: ArrayLike = 0.0
) -> Complexes:
    """Describing function of a staircase with memory.

    Gives complex gain; 0 while no middle is crossed both ways [-].

    Relays of height ``tread`` with centres x_i = i tread - offset; each that is crossed both ways
    (A > |x_i| + h) adds (tread/(pi A)) (sqrt(1 - ((x_i + h)/A)^2) + sqrt(1 - ((x_i - h)/A)^2))
    and -2j h tread/(pi A^2).  Source: sum of the relay with hysteresis (Gelb & Vander Velde 1968,
    from memory); the one-relay case is python-control's ``relay_hysteresis_nonlinearity``.
    """
    safe, up, down = _relays(amplitude, tread, hysteresis, offset)
    cosines = np.sqrt(1.0 - (up / safe) ** 2) + np.sqrt(1.0 - (down / safe) ** 2)
    imaginary = -2.0 * hysteresis * tread / (math.pi * safe**2)
    return np.asarray((tread / math.pi * cosines / safe + 1j * imaginary).sum(axis=-1))


def balanced_offset(amplitude: ArrayLike, tread: float, hysteresis: float, phase: float) -> Reals:
    """Mean of the sine that makes the staircase's mean output lie at a given place.

    Gives offset for ``staircase_gain``, shape of the amplitude; (phase - 1/2) tread where the sine
    is too small to cross a relay [steps].

    Each relay is up for 1/2 - (asin((x + h)/A) + asin((x - h)/A))/(2 pi) of the time; the sum over
    the relays rises with the offset and is solved by bisection.
    Source: bias of a describing function with a constant and a sine (Gelb & Vander Velde 1968,
    from memory); derivation our own.
    """
    size = np.asarray(amplitude, dtype=float)
    low, high = np.full(size.shape, -tread), np.full(size.shape, tread)
    for _ in range(40):
        middle = 0.5 * (low + high)
        safe, up, down = _relays(size, tread, hysteresis, middle)
        share = -(np.arcsin(up / safe) + np.arcsin(down / safe)) / (2.0 * math.pi)
        resting = -0.5 * np.sign(up + down)
        mean = np.where(np.isfinite(safe), share, resting).sum(axis=-1)
        below = mean < phase - 0.5
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    plain = (phase - 0.5) * tread
    return np.asarray(np.where(size > hysteresis, 0.5 * (low + high), plain))


@functools.cache
def _nonlinearity_class() -> Any:
    """Our subclass, made on first use because python-control is slow to import."""
    import control

    class ShellNonlinearity(control.DescribingFunctionNonlinearity):  # type: ignore[misc]
        """A nonlinearity of the shell, called step by step, with its closed form."""

        def __init__(
            self, step: Callable[[float], float], gain: Callable[[float], complex], static: bool
        ) -> None:
            super().__init__()
            self._step = step
            self._gain = gain
            self._static = static

        def __call__(self, x: float) -> float:
            return self._step(x)

        def describing_function(self, amplitude: float) -> complex:
            """Gain for the first harmonic at one amplitude, from the closed form."""
            return complex(self._gain(amplitude))

        def _isstatic(self) -> bool:
            return self._static

    return ShellNonlinearity


def deadband(half_width: float) -> Any:
    """The shell's deadband as a python-control nonlinearity.

    Gives call it with an error [rpm].

    Source: semantics fixed for table [feedback]; ``deadband_gain``.
    """
    return _nonlinearity_class()(
        lambda x: x if abs(x) > half_width else 0.0,
        lambda amplitude: deadband_gain(amplitude, half_width),
        True,
    )


def mid_tread_quantiser(step: float) -> Any:
    """Rounding to whole multiples of a step as a python-control nonlinearity.

    Gives rounds half up.

    N = (4 step/(pi A)) sum_k sqrt(1 - ((2k - 1) step/(2A))^2).
    Source: Gelb & Vander Velde 1968 (from memory); ``staircase_gain`` about a position.
    """
    return _nonlinearity_class()(
        lambda x: step * math.floor(x / step + 0.5),
        lambda amplitude: staircase_gain(amplitude, step, 0.0, 0.5 * step),
        True,
    )


def memory_staircase(min_move_steps: int, offset_steps: float = 0.0) -> Any:
    """Rounding and minimum move with its memory as a python-control nonlinearity.

    Gives call it with the wanted position about its mean [steps]; it answers with the commanded
    position about the lower of the two [steps] and remembers it.

    Source: semantics fixed for table [feedback]: wanted = round half up; if
    ``|wanted - commanded| >= min_move_steps``, commanded = wanted.
    """
    if min_move_steps < 1:
        raise ValueError(f"min_move_steps: {min_move_steps}, allowed: 1 or more")
    mean = 0.5 * min_move_steps + offset_steps
    commanded = 0

    def command(x: float) -> float:
        nonlocal commanded
        wanted = math.floor(x + mean + 0.5)
        if abs(wanted - commanded) >= min_move_steps:
            commanded = wanted
        return float(commanded)

    hysteresis = 0.5 * (min_move_steps - 1)
    return _nonlinearity_class()(
        command,
        lambda amplitude: staircase_gain(amplitude, min_move_steps, hysteresis, offset_steps),
        False,
    )
