"""The idle loop as a linear system: what it would do if the valve could take any position.

The plant is the first-order model of idle (manifold filling, charge to torque after a pure delay, crank)
differentiated at one operating point; the slopes come in as plain numbers, so no equation of the engine
stands here.

What is exact and what is approximated -------------------------------------- exact
    the delay between charge and torque in every frequency response and in the poles (``exp(-s delay)`` inside
    the manifold-to-crank feedback, not beside it); the sampled law and its hold (``loop_response`` sums the
    images of the sampling, see there).
approximated
    the engine by its slopes; torque arriving once a firing by its mean (a reading of a firing event model
    should count half a firing interval of hold in ``delay_s`` if it holds torque from firing to firing); the
    speed reading (mean over one firing interval, held for the next) by its response averaged over the time
    between firing and update; reading smoothing by one lag; the valve's step-by-step travel by the mean delay
    of its steps.
left out
    deadband, minimum move, rounding, limits: see ``tuning.loop.cycles``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tuning.loop.delays import Complexes, Reals, mean_over

RPM_PER_rad_s = 30.0 / math.pi
INPUTS = ("valve_steps", "load_Nm", "spark_deg", "area_m2")
"""What can be moved: commanded valve, load torque, spark advance, any other air area."""
HIGHEST = 20.0
"""Frequency, over the engine's fastest rate, beyond which the two storages alone count [-]."""
FREQUENCIES = 2000
"""Frequencies looked at up to there, and as many again for each time constant of delay [-]."""
DELAY_STAGES = 8
"""Stages in which the delay is let grow while a pole is followed."""
NEWTON_STEPS, LONGEST_MOVE = 60, 0.3
"""Steps of Newton's method at most, and the longest of them over the pole's size [-, -]."""


@dataclass(frozen=True)
class IdleJacobian:
    """Slopes of the engine model at one operating point, and its times.

    Parameters
    ----------
    pressure_rate_per_Pa : float
        Change of dp/dt with manifold pressure, negative for an engine that fills [1/s].
    pressure_rate_per_rad_s : float
        Change of dp/dt with speed, negative: a faster engine draws more [Pa/rad].
    pressure_rate_per_m2 : float
        Change of dp/dt with effective inlet area, positive [Pa/(s m2)].
    charge_torque_per_Pa : float
        Change of indicated torque with pressure at induction; acts after ``delay_s`` [Nm/Pa].
    charge_torque_per_rad_s : float
        Change of indicated torque with speed at induction; acts after ``delay_s`` [Nm s/rad].
    resisting_torque_per_rad_s : float
        Change of friction, accessories and load with speed, less whatever the spark table adds at once;
        positive steadies the engine [Nm s/rad].
    area_per_step_m2 : float
        Change of effective inlet area a valve step, not 0 [m2].
    inertia_kg_m2 : float
        Moment of inertia at the crank, above 0 [kg m2].
    delay_s : float
        From charge to torque, 0 or more [s].
    firing_interval_s : float
        Time between firings, above 0 [s].
    sensor_lag_s : float
        Lag of the speed reading beyond its averaging over one firing, 0 or more [s].
    resisting_torque_per_Pa : float
        Change of pumping torque with pressure, where the model has it apart from friction; negative: a higher
        pressure resists less [Nm/Pa].
    spark_torque_per_deg : float
        Change of torque a degree of advance, at once [Nm/deg].
    valve_step_s : float
        Time the valve takes for one step, pulse and rest, 0 or more [s].
    """

    pressure_rate_per_Pa: float
    pressure_rate_per_rad_s: float
    pressure_rate_per_m2: float
    charge_torque_per_Pa: float
    charge_torque_per_rad_s: float
    resisting_torque_per_rad_s: float
    area_per_step_m2: float
    inertia_kg_m2: float
    delay_s: float
    firing_interval_s: float
    sensor_lag_s: float = 0.0
    resisting_torque_per_Pa: float = 0.0
    spark_torque_per_deg: float = 0.0
    valve_step_s: float = 0.0

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not math.isfinite(value):
                raise ValueError(f"{name}: {value}, allowed: a finite number")
        for name in ("inertia_kg_m2", "firing_interval_s"):
            if getattr(self, name) <= 0.0:
                raise ValueError(f"{name}: {getattr(self, name)}, allowed: above 0")
        for name in ("delay_s", "sensor_lag_s", "valve_step_s"):
            if getattr(self, name) < 0.0:
                raise ValueError(f"{name}: {getattr(self, name)}, allowed: 0 or more")
        if self.area_per_step_m2 == 0.0:
            raise ValueError("area_per_step_m2: 0, allowed: not 0 (the valve must act)")


@dataclass(frozen=True, eq=False)
class LinearIdle:
    """Linear idle plant ``x' = A x(t) + A_delayed x(t - delay) + B u``, ``rpm = C x``.

    States are manifold pressure [Pa] and crank speed [rad/s] as departures from the operating point; inputs
    are ``INPUTS`` in their units.

    Parameters
    ----------
    A, A_delayed : ndarray
        Shape (2, 2): what acts at once and what acts after the delay [SI].
    B : ndarray
        Shape (2, 4), columns as ``INPUTS`` [SI a unit of input].
    C : ndarray
        Shape (1, 2): state to crank speed [rpm].
    delay_s, firing_interval_s, sensor_lag_s, valve_step_s : float
        As in ``IdleJacobian`` [s].
    """

    A: Reals
    A_delayed: Reals
    B: Reals
    C: Reals
    delay_s: float
    firing_interval_s: float
    sensor_lag_s: float
    valve_step_s: float

    def response(self, s: ArrayLike, of: str = "valve_steps", measured: bool = False) -> Complexes:
        """Exact transfer function from one input to speed.

        Gives complex, shape of ``s`` [rpm per unit of the input].

        Solves (s I - A - A_delayed exp(-s delay)) x = B: the delay is exact. Source: textbook state space;
        derivation our own.
        """
        if of not in INPUTS:
            raise ValueError(f"of: {of!r}, allowed: {', '.join(INPUTS)}")
        s = np.asarray(s, dtype=complex)
        b1, b2 = self.B[:, INPUTS.index(of)]
        m11, m12, m21, m22 = self._pencil(s)
        speed = (m11 * b2 - m21 * b1) / (m11 * m22 - m12 * m21)
        out: Complexes = self.C[0, 1] * speed
        return out * sensor_response(self, s) if measured else out

    def _pencil(self, s: Complexes) -> tuple[Complexes, Complexes, Complexes, Complexes]:
        late = np.exp(-s * self.delay_s)
        (a11, a12), (a21, a22) = self.A
        (d11, d12), (d21, d22) = self.A_delayed
        return (s - a11 - d11 * late, -a12 - d12 * late, -a21 - d21 * late, s - a22 - d22 * late)

    @property
    def rpm_per_step(self) -> float:
        """Steady rpm a valve step is worth [rpm/step]; infinite for an integrating plant."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return float(self.response(0.0).real)

    @property
    def residence_time_s(self) -> float:
        """Mean time from a valve command of one step to the reading of its effect [s].

        ``-G'(0)/G(0)`` with the reading and the valve's first step: the area between the step response and
        its end, over its end. Source: Astrom & Hagglund, PID Controllers, 2nd ed. 1995, 'average residence
        time' (from memory).
        """
        step_s = 1e-4 / max(self.delay_s + self.firing_interval_s, 1e-3)
        ahead, behind = self.response(np.array([step_s, -step_s]), measured=True).real
        slope = (ahead - behind) / (2.0 * step_s)
        return float(-slope / self.rpm_per_step) + self.valve_step_s

    def poles(self) -> Complexes:
        """The two poles of manifold and crank, exact to the delay.

        Gives complex, shape (2,), the slower first [1/s].

        Poles without delay, followed by Newton's method while the delay grows to its own. Source: derivation
        our own.
        """
        # Off the real axis, so that two real poles that meet may part into a pair.
        poles = np.linalg.eigvals(self.A + self.A_delayed) * (1.0 + 0.02j)
        for delay_s in np.linspace(0.0, self.delay_s, DELAY_STAGES + 1)[1:]:
            poles = np.array([self._followed(pole, float(delay_s)) for pole in poles])
        poles = np.where(np.abs(poles.imag) < 1e-9 * np.abs(poles), poles.real + 0j, poles)
        if poles[0].imag != 0.0:  # a pair, also where both went the same way when they parted
            pair = complex(poles[0].real, abs(poles[0].imag))
            poles = np.array([pair, pair.conjugate()])
        return np.asarray(poles[np.argsort(np.abs(poles), kind="stable")])

    def _followed(self, pole: complex, delay_s: float) -> complex:
        """Newton's method on det(s I - A - A_delayed exp(-s delay)) = 0 from a pole nearby."""
        s = pole
        for _ in range(NEWTON_STEPS):
            late = self.A_delayed * np.exp(-s * delay_s)
            pencil = s * np.eye(2) - self.A - late
            slope = np.eye(2) + delay_s * late
            # d det(M)/ds = trace(adj(M) dM/ds), written out for two rows.
            change = (
                pencil[0, 0] * slope[1, 1] + pencil[1, 1] * slope[0, 0]
                - pencil[0, 1] * slope[1, 0] - pencil[1, 0] * slope[0, 1]
            )  # fmt: skip
            value = pencil[0, 0] * pencil[1, 1] - pencil[0, 1] * pencil[1, 0]
            if change == 0.0:
                break
            move = value / change
            s -= move * min(1.0, LONGEST_MOVE * abs(pole) / max(abs(move), 1.0e-12))
            if abs(move) < 1.0e-12 * abs(s):
                break
        return complex(s)

    def is_stable(self) -> bool:
        """Tell whether the engine holds its speed with the valve still.

        Gives true if every characteristic root has a negative real part, exact to the delay.

        The characteristic function turns by two quarters from frequency 0 to infinity. Source: Mikhailov's
        criterion, 1938; for delays Stepan, Retarded Dynamical Systems, 1989 (from memory).
        """
        rates = np.abs(self.A) + np.abs(self.A_delayed)
        fastest = float(rates[0, 0] + rates[1, 1] + math.sqrt(rates[0, 1] * rates[1, 0]))
        count = math.ceil(FREQUENCIES + FREQUENCIES * fastest * self.delay_s)
        axis = np.linspace(0.0, 1j * HIGHEST * fastest, count, dtype=complex)
        m11, m12, m21, m22 = self._pencil(axis)
        turns = m11 * m22 - m12 * m21
        if not turns[0].real > 0.0:
            return False
        return bool(abs(np.unwrap(np.angle(turns))[-1] - math.pi) < 0.25 * math.pi)


def linear_idle(jac: IdleJacobian) -> LinearIdle:
    """Build the linear plant from the slopes of the engine model.

    Gives the plant, departures from that point.

    dp/dt = a p + b w + c A(steps); J dw/dt = T(t - delay) + spark - resisting - load. A delay fixed in crank
    angle stretches as speed falls, but to first order that changes nothing: the delayed quantity is constant
    at the operating point.
    Source: mean value model of idle, e.g. Guzzella & Onder, Introduction to Modeling and Control of Internal
    Combustion Engine Systems (Springer), idle-speed case.
    """
    j = jac.inertia_kg_m2
    return LinearIdle(
        A=np.array(
            [
                [jac.pressure_rate_per_Pa, jac.pressure_rate_per_rad_s],
                [-jac.resisting_torque_per_Pa / j, -jac.resisting_torque_per_rad_s / j],
            ]
        ),
        A_delayed=np.array([[0.0, 0.0], [jac.charge_torque_per_Pa / j, jac.charge_torque_per_rad_s / j]]),
        B=np.array(
            [
                [jac.pressure_rate_per_m2 * jac.area_per_step_m2, 0.0, 0.0, jac.pressure_rate_per_m2],
                [0.0, -1.0 / j, jac.spark_torque_per_deg / j, 0.0],
            ]
        ),
        C=np.array([[0.0, RPM_PER_rad_s]]),
        delay_s=jac.delay_s,
        firing_interval_s=jac.firing_interval_s,
        sensor_lag_s=jac.sensor_lag_s,
        valve_step_s=jac.valve_step_s,
    )


def sensor_response(plant: LinearIdle, s: ArrayLike) -> Complexes:
    """Transfer function of the speed reading.

    Gives complex, shape of ``s`` [rpm per rpm].

    The reading is the mean over one firing interval, held until the next firing; seen at a time unrelated to
    the firings, both are ``mean_over`` the interval. Then one lag.
    Source: definition of the reading; averaging over the unrelated time our own.
    """
    s = np.asarray(s, dtype=complex)
    return mean_over(s, plant.firing_interval_s) ** 2 / (1.0 + s * plant.sensor_lag_s)
