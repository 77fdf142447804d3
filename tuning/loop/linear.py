"""The idle loop as a linear system: what it would do if the valve could take any position.

Exact: the delay between charge and torque, in every frequency response and in the poles (``exp(-s delay)``
inside the manifold-to-crank feedback, not beside it). Approximated: the engine by its slopes; torque arriving
once a firing by its mean (half a firing interval of hold counts in ``delay_s``); the speed reading by its
response averaged over the time between firing and update; its smoothing by one lag; the valve's travel by the
mean delay of its steps. Left out: deadband, minimum move, rounding, limits: see ``tuning.loop.cycles``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.linearise import Slopes

Complexes = NDArray[np.complex128]
Reals = NDArray[np.float64]

RPM_PER_rad_s = 30.0 / math.pi
INPUTS = ("valve_steps", "load_Nm", "spark_deg", "area_m2")
"""What can be moved: commanded valve, load torque, spark advance, any other air area."""
HIGHEST, FREQUENCIES = 20.0, 2000
"""Frequency over the engine's fastest rate, beyond which the storages alone count; how many are looked at
up to there, and again for each time constant of delay [-]."""
DELAY_STAGES = 8  # Stages in which the delay is let grow while a pole is followed.
NEWTON_STEPS, LONGEST_MOVE = 60, 0.3
"""Steps of Newton's method at most, and the longest of them over the pole's size [-, -]."""


def mean_over(s: ArrayLike, period_s: float) -> Complexes:
    """Transfer function of the mean over the last period, also of a hold: (1 - exp(-s T))/(s T) [-]."""
    product = np.asarray(s, dtype=complex) * period_s
    small = np.abs(product) < 1e-6
    safe = np.where(small, 1.0, product)
    return np.where(small, 1.0 - product / 2.0, -np.expm1(-safe) / safe)


def travel_response(s: ArrayLike, valve_step_s: float, steps: int) -> Complexes:
    """Transfer function from a commanded move to the position: each step done a step time later [-].

    Exact for moves of that many steps that do not overlap; the valve's slew is not linear.
    """
    s = np.asarray(s, dtype=complex)
    done = np.exp(-np.multiply.outer(np.arange(1, steps + 1), s) * valve_step_s)
    return np.asarray(done.mean(axis=0))


@dataclass(frozen=True, eq=False)
class LinearIdle:
    """Linear idle plant ``x' = A x(t) + A_delayed x(t - delay) + B u``, ``rpm = C x``.

    States are departures of manifold pressure [Pa] and crank speed [rad/s]; inputs, the columns of B, are
    ``INPUTS``.
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
        """Exact transfer function from one input to speed [rpm per unit of the input]."""
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

        ``-G'(0)/G(0)``: the area between the step response and its end, over its end. Source: Astrom &
        Hagglund, PID Controllers, 2nd ed. 1995, 'average residence time' (from memory).
        """
        step_s = 1e-4 / max(self.delay_s + self.firing_interval_s, 1e-3)
        ahead, behind = self.response(np.array([step_s, -step_s]), measured=True).real
        slope = (ahead - behind) / (2.0 * step_s)
        return float(-slope / self.rpm_per_step) + self.valve_step_s

    def poles(self) -> Complexes:
        """The two poles of manifold and crank, exact to the delay, the slower first [1/s].

        Poles without delay, followed by Newton's method while the delay grows to its own.
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
        """Tell whether the engine holds its speed with the valve still, exact to the delay.

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


def linear_idle(
    slopes: Slopes, inertia_kg_m2: float, delay_s: float, firing_interval_s: float, sensor_lag_s: float,
    valve_step_s: float,
) -> LinearIdle:  # fmt: skip
    """Build the plant dp/dt = a p + b w + c A(steps); J dw/dt = T(t - delay) + spark - resisting - load.

    ``delay_s`` is from charge to torque, ``sensor_lag_s`` the reading's beyond its averaging over one firing.
    A delay fixed in crank angle stretches as speed falls, but to first order that changes nothing: the
    delayed quantity is constant at the operating point.
    Source: mean value model of idle, e.g. Guzzella & Onder, Introduction to Modeling and Control of Internal
    Combustion Engine Systems (Springer), idle-speed case.
    """
    j, by_area = inertia_kg_m2, slopes.pressure_rate_per_m2
    return LinearIdle(
        A=np.array([[slopes.pressure_rate_per_Pa, slopes.pressure_rate_per_rad_s],
                    [-slopes.resisting_torque_per_Pa / j, -slopes.resisting_torque_per_rad_s / j]]),
        A_delayed=np.array([[0.0, 0.0],
                            [slopes.charge_torque_per_Pa / j, slopes.charge_torque_per_rad_s / j]]),
        B=np.array([[by_area * slopes.area_per_step_m2, 0.0, 0.0, by_area],
                    [0.0, -1.0 / j, slopes.torque_per_spark_deg / j, 0.0]]),
        C=np.array([[0.0, RPM_PER_rad_s]]), delay_s=delay_s, firing_interval_s=firing_interval_s,
        sensor_lag_s=sensor_lag_s, valve_step_s=valve_step_s,
    )  # fmt: skip


def sensor_response(plant: LinearIdle, s: ArrayLike) -> Complexes:
    """Transfer function of the speed reading: mean over a firing interval, held for one, then a lag [-].

    Seen at a time unrelated to the firings, mean and hold are both ``mean_over`` the interval.
    """
    s = np.asarray(s, dtype=complex)
    return mean_over(s, plant.firing_interval_s) ** 2 / (1.0 + s * plant.sensor_lag_s)
