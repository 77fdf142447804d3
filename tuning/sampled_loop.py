"""The sampled PI law around the linear plant: loop response, margins, ultimate gain."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tuning.linear import Complexes, LinearIdle, Reals, mean_over


@dataclass(frozen=True)
class SampledPI:
    """The linear part of law ``pi``: what it does outside the deadband and inside its limits.

    Parameters
    ----------
    gain_steps_per_100rpm : float
        Proportional gain, 0 or more [steps per 100 rpm].
    integral_steps_per_100rpm_s : float
        Integral gain, 0 or more [steps per 100 rpm and second].
    update_period_s : float
        Time between updates, above 0 [s].

    Raises
    ------
    ValueError
        If a value is outside its range.
    """

    gain_steps_per_100rpm: float
    integral_steps_per_100rpm_s: float
    update_period_s: float

    def __post_init__(self) -> None:
        for name in ("gain_steps_per_100rpm", "integral_steps_per_100rpm_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name}: {value}, allowed: 0 or more")
        if not (math.isfinite(self.update_period_s) and self.update_period_s > 0.0):
            raise ValueError(f"update_period_s: {self.update_period_s}, allowed: above 0")

    @property
    def gain_steps_per_rpm(self) -> float:
        """Proportional gain [steps/rpm]."""
        return self.gain_steps_per_100rpm / 100.0

    @property
    def integral_steps_per_rpm_s(self) -> float:
        """Integral gain [steps/(rpm s)]."""
        return self.integral_steps_per_100rpm_s / 100.0

    def scaled(self, multiplier: float) -> SampledPI:
        """The same law with both gains multiplied.

        Parameters
        ----------
        multiplier : float
            0 or more [-].

        Returns
        -------
        SampledPI
            New settings.
        """
        return replace(
            self,
            gain_steps_per_100rpm=self.gain_steps_per_100rpm * multiplier,
            integral_steps_per_100rpm_s=self.integral_steps_per_100rpm_s * multiplier,
        )

    def transfer_function(self) -> Any:
        """The law as a discrete transfer function.

        Returns
        -------
        control.TransferFunction
            ``Kp + Ki h z/(z - 1)``, error [rpm] to trim [steps], time step the update period.

        Notes
        -----
        The integral takes in the present error before the trim is formed (backward rectangle).
        Source: semantics fixed for table [feedback].
        """
        import control

        growth = self.integral_steps_per_rpm_s * self.update_period_s
        gain = self.gain_steps_per_rpm
        if growth == 0.0:
            return control.tf([gain], [1.0], self.update_period_s)
        return control.tf([gain + growth, -gain], [1.0, -1.0], self.update_period_s)

    def response(self, omega_rad_s: ArrayLike) -> Complexes:
        """Exact frequency response of the law, sample to sample.

        Parameters
        ----------
        omega_rad_s : array_like
            Frequencies above 0 and up to pi / update period [rad/s].

        Returns
        -------
        ndarray
            Complex, same shape [steps/rpm].

        Notes
        -----
        ``transfer_function`` on the unit circle, written out because it is called often.
        Source: definition.
        """
        back = -np.expm1(-1j * np.asarray(omega_rad_s, dtype=float) * self.update_period_s)
        growth = self.integral_steps_per_rpm_s * self.update_period_s
        return np.asarray(self.gain_steps_per_rpm + growth / back)


@dataclass(frozen=True)
class Margins:
    """How far a loop is from swinging by itself.

    Parameters
    ----------
    gain_margin : float
        Factor of gain to the stability border, infinite if none [-].
    phase_margin_deg : float
        Phase to spare where the loop gain is 1, infinite if it never is [deg].
    sensitivity_peak : float
        Largest ``|1/(1 + L)|``; below about 2 is commonly called robust [-].
    phase_crossover_rad_s, gain_crossover_rad_s, sensitivity_peak_rad_s : float
        Where the three are found, nan if they are not [rad/s].
    delay_margin_s : float
        Extra delay the loop bears: phase margin over gain crossover [s].
    """

    gain_margin: float
    phase_margin_deg: float
    sensitivity_peak: float
    phase_crossover_rad_s: float
    gain_crossover_rad_s: float
    sensitivity_peak_rad_s: float
    delay_margin_s: float

    def to_dict(self) -> dict[str, float]:
        """The margins by name.

        Returns
        -------
        dict
            Field names to values.
        """
        return asdict(self)


@dataclass(frozen=True)
class UltimateGain:
    """The gain at which a loop without quantisation begins to swing by itself.

    Parameters
    ----------
    multiplier : float
        Factor on both gains; below 1 the present settings are unstable already; 0 if the engine
        is unstable with the valve still; infinite if no gain does it [-].
    gain_steps_per_100rpm, integral_steps_per_100rpm_s : float
        The gains there [steps per 100 rpm (and second)].
    omega_rad_s, period_s : float
        The swing there, nan if there is none [rad/s, s].
    """

    multiplier: float
    gain_steps_per_100rpm: float
    integral_steps_per_100rpm_s: float
    omega_rad_s: float
    period_s: float

    def to_dict(self) -> dict[str, float]:
        """The values by name.

        Returns
        -------
        dict
            Field names to values.
        """
        return asdict(self)


def travel_response(s: ArrayLike, valve_step_s: float, steps: int) -> Complexes:
    """Transfer function from a commanded move to the valve's position.

    Parameters
    ----------
    s : array_like
        Laplace variable [rad/s].
    valve_step_s : float
        Time a step takes, 0 or more [s].
    steps : int
        Steps in the move, 1 or more [steps].

    Returns
    -------
    ndarray
        Mean of ``exp(-k s valve_step_s)`` over the steps k = 1..steps: step k is done k step
        times after the command [-].

    Notes
    -----
    Exact for moves of that many steps that do not overlap; the valve's slew is not linear.
    Source: derivation our own.
    """
    s = np.asarray(s, dtype=complex)
    done = np.exp(-np.multiply.outer(np.arange(1, steps + 1), s) * valve_step_s)
    return np.asarray(done.mean(axis=0))


def loop_response(
    plant: LinearIdle,
    law: SampledPI,
    omega_rad_s: ArrayLike,
    move_steps: int = 1,
    images: int = 10,
) -> Complexes:
    """Exact open-loop frequency response of the sampled loop.

    Parameters
    ----------
    plant : LinearIdle
        The engine.
    law : SampledPI
        The controller.
    omega_rad_s : array_like
        Frequencies above 0 and up to pi / update period [rad/s].
    move_steps : int
        Size of the moves whose travel time is counted [steps].
    images : int
        Images of the sampling taken into account on each side, 0 for the base band alone [-].

    Returns
    -------
    ndarray
        Complex, same shape, positive for slow frequencies: breaks the loop at the error [-].

    Notes
    -----
    The sequence of errors at the updates sees ``C(z) sum_k P(w + 2 pi k/h)`` with P the plant,
    its reading and the hold over one update period h.  The images k die away at least as
    ``|k|^-3``; ten leave less than 1e-4 of the loop's size at half the update rate.
    Source: sampled-data theory, e.g. Astrom & Wittenmark, Computer-Controlled Systems.
    """
    omega = np.asarray(omega_rad_s, dtype=float)
    rate = 2.0 * math.pi / law.update_period_s
    shifts = np.arange(-images, images + 1) * rate
    s = 1j * np.add.outer(shifts, omega)
    held = plant.response(s, measured=True) * mean_over(s, law.update_period_s)
    held = held * travel_response(s, plant.valve_step_s, move_steps)
    return np.asarray(law.response(omega) * held.sum(axis=0))


def frequencies(plant: LinearIdle, law: SampledPI, count: int = 1500) -> Reals:
    """Frequencies fine enough to find all crossings of the loop.

    Parameters
    ----------
    plant, law : LinearIdle, SampledPI
        Give the times that matter.
    count : int
        Number of points [-].

    Returns
    -------
    ndarray
        Rising, logarithmic, from 1/1000 of the slowest corner to just below half the update
        rate [rad/s].

    Notes
    -----
    Source: common practice, no source.
    """
    top = math.pi / law.update_period_s
    slow = plant.residence_time_s + plant.delay_s + law.update_period_s
    low = min(1e-3 / abs(slow), top / 1e3)
    return np.geomspace(low, top * (1.0 - 1e-9), count)


def loop(plant: LinearIdle, law: SampledPI, move_steps: int = 1, count: int = 1500) -> Any:
    """The sampled loop as python-control's frequency response data, for ``margins`` and plots.

    Parameters
    ----------
    plant, law : LinearIdle, SampledPI
        Engine and controller.
    move_steps : int
        Size of the moves whose travel time is counted [steps].
    count : int
        Number of frequencies [-].

    Returns
    -------
    control.FrequencyResponseData
        Exact response on ``frequencies``, smooth between [-].

    Notes
    -----
    Source: ``loop_response``.
    """
    import control

    omega = frequencies(plant, law, count)
    return control.frd(loop_response(plant, law, omega, move_steps), omega, smooth=True)


def margins(loop: Any) -> Margins:
    """Gain margin, phase margin and sensitivity peak of a loop.

    Parameters
    ----------
    loop : control.FrequencyResponseData or control LTI system
        Open loop, positive for slow frequencies (negative feedback is understood) [-].

    Returns
    -------
    Margins
        What ``control.stability_margins`` finds, nearest to the border.

    Notes
    -----
    The margins say how far the border is, not on which side the loop is: see
    ``ultimate_gain`` and ``closed_loop_poles``.
    Source: python-control ``stability_margins``.
    """
    import control

    gain, phase, distance, w_phase, w_gain, w_peak = (
        float(value) for value in control.stability_margins(loop)
    )
    if not math.isfinite(distance):
        distance, w_peak = _nearest_at_an_end(loop)
    late = math.radians(phase) / w_gain if math.isfinite(w_gain) else math.inf
    return Margins(gain, phase, 1.0 / distance, w_phase, w_gain, w_peak, late)


def _nearest_at_an_end(loop: Any) -> tuple[float, float]:
    """Distance to -1 where ``stability_margins`` finds no minimum inside: at an end."""
    omega = getattr(loop, "omega", None)
    if omega is None:
        return min(1.0, float(abs(1.0 + loop(0.0)))), math.nan
    distance = np.abs(1.0 + loop(1j * omega))
    at = int(np.argmin(distance))
    return float(distance[at]), float(omega[at])


def ultimate_gain(plant: LinearIdle, law: SampledPI, move_steps: int = 1) -> UltimateGain:
    """Gain at which the loop goes unstable without quantisation, integral in proportion.

    Parameters
    ----------
    plant, law : LinearIdle, SampledPI
        Engine and controller; the law's two gains are raised together.
    move_steps : int
        Size of the moves whose travel time is counted [steps].

    Returns
    -------
    UltimateGain
        The first border met as the gains rise from nothing.

    Raises
    ------
    ValueError
        If both gains are 0.

    Notes
    -----
    For an engine that is stable with the valve still, the loop is stable for small gains; the
    border is the smallest multiplier that puts the exact loop response through -1, at a phase
    crossover or at half the update rate.  Source: Nyquist; derivation our own.
    """
    from scipy.optimize import brentq

    if law.gain_steps_per_100rpm == 0.0 and law.integral_steps_per_100rpm_s == 0.0:
        raise ValueError("gains: both 0, allowed: at least one above 0")
    if not plant.is_stable():
        return UltimateGain(0.0, 0.0, 0.0, math.nan, math.nan)

    def imaginary(omega: float) -> float:
        return float(loop_response(plant, law, omega, move_steps).imag)

    grid = frequencies(plant, law)
    side = np.sign(loop_response(plant, law, grid, move_steps).imag)
    crossings = [
        float(brentq(imaginary, grid[i], grid[i + 1], xtol=1e-12, rtol=1e-12))
        for i in np.flatnonzero(side[:-1] * side[1:] < 0)
    ]
    crossings.append(math.pi / law.update_period_s)
    sizes = loop_response(plant, law, np.array(crossings), move_steps).real
    at = int(np.argmin(sizes))
    if sizes[at] >= 0.0:
        return UltimateGain(math.inf, math.inf, math.inf, math.nan, math.nan)
    multiplier = -1.0 / float(sizes[at])
    there = law.scaled(multiplier)
    return UltimateGain(
        multiplier,
        there.gain_steps_per_100rpm,
        there.integral_steps_per_100rpm_s,
        crossings[at],
        2.0 * math.pi / crossings[at],
    )


def closed_loop_poles(plant: LinearIdle, law: SampledPI, pade_order: int = 4) -> Complexes:
    """Poles of the sampled closed loop.

    Parameters
    ----------
    plant, law : LinearIdle, SampledPI
        Engine and controller.
    pade_order : int
        Order of the Pade fraction of each delay [-].

    Returns
    -------
    ndarray
        Complex; the loop is stable if all are inside the unit circle [-].

    Notes
    -----
    The Pade plant is sampled exactly with its hold; the travel of the valve counts as the delay
    of one step.  Source: python-control ``sample_system``, ``feedback``.
    """
    import control

    from tuning.linear import pade_delay

    valve = plant.state_space(pade_order, measured=True)[0, 0]
    valve = control.series(pade_delay(plant.valve_step_s, pade_order), valve)
    sampled = control.sample_system(valve, law.update_period_s, method="zoh")
    return np.asarray(control.feedback(law.transfer_function() * sampled, 1.0).poles())
