"""A third way to write an idling engine: mean values about its idle, each relation over its value there.

Written independently of ``sim`` and of ``tests/foreign_engine.py``: filling and torque are continuous,
the throttle's flow is a parabola of pressure, air drawn a product of speed and pressure, friction a
straight line, a charge works after a fixed angle, speed is the mean of a turn in whole steps of 4 rpm.
Only chance belongs to a firing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

STEP_s = 0.001
PER_TURN = 64
"""Charges are kept by angle, so many a turn."""
(
    IDLE_rad_s, IDLE_PRESSURE, FILLING_s, DRAWN_SLOPE, DELAY_TURNS, TORQUE_Nm, RISE, INERTIA, LEAK, POWER,
    KNEE, BASE, STEP_TIME_s, SCATTER, FIRINGS, MAP_LAG_s, EFFICIENCY,
) = range(17)  # fmt: skip
"""Places of an engine's numbers."""
(SPEED, PRESSURE, TURNED, SHAFT, READY_s, NOW_s, SENSED, READ_rpm) = range(8)
"""Places of its memory."""


@numba.njit(cache=False)
def parabola(pressure: float) -> float:
    """Flow through an opening over its choked flow, by pressure over that outside."""
    return 1.0 if pressure <= 0.5 else 2.0 * np.sqrt(max(pressure - pressure * pressure, 0.0))


@numba.njit(cache=False)
def opening(n: np.ndarray, steps: float) -> float:
    """Opening over that at the base: leak, and a valve that bends over at its knee."""

    def bent(x: float) -> float:
        return max(x, 0.0) ** n[POWER] / (1.0 + (max(x, 0.0) / n[KNEE]) ** 4) ** (0.25 * n[POWER])

    return n[LEAK] + (1.0 - n[LEAK]) * bent(steps) / bent(n[BASE])


@numba.njit(cache=False)
def go(
    n: np.ndarray, m: np.ndarray, charges: np.ndarray, until_s: float, commanded: float,
    outside: tuple[float, float, float], draws: np.ndarray,
) -> tuple[float, float]:  # fmt: skip
    """Run on to a time; ``outside`` are load [W], torque [Nm] and open throttle over the leak.

    Gives measured rpm and sensed pressure over that outside.
    """
    w0, p0, places = n[IDLE_rad_s], n[IDLE_PRESSURE], charges.size
    air = opening(n, m[SHAFT])
    while m[NOW_s] < until_s:
        if m[SHAFT] != commanded and m[NOW_s] >= m[READY_s]:
            m[SHAFT] += 1.0 if commanded > m[SHAFT] else -1.0
            m[READY_s] = m[NOW_s] + n[STEP_TIME_s]
            air = opening(n, m[SHAFT])
        speed, full = m[SPEED] / w0, m[PRESSURE] / p0
        charge = full * (1.0 - n[DRAWN_SLOPE] + n[DRAWN_SLOPE] * full)
        flow = (air + outside[2] * n[LEAK]) * parabola(m[PRESSURE]) / parabola(p0)
        m[PRESSURE] = min(m[PRESSURE] + STEP_s * p0 / n[FILLING_s] * (flow - speed * charge), 0.98)
        turned = m[TURNED]
        charges[int(turned * PER_TURN) % places] = charge
        old = (
            charges[int((turned - n[DELAY_TURNS]) * PER_TURN) % places] if turned > n[DELAY_TURNS] else charge
        )
        luck = 1.0 + n[SCATTER] * draws[int(turned * n[FIRINGS]) % draws.size]
        pull = n[TORQUE_Nm] * (old * max(luck, 0.0) - (1.0 - n[RISE]) - n[RISE] * speed)
        pull -= outside[0] / n[EFFICIENCY] / max(m[SPEED], 20.0) + outside[1]
        m[SPEED] = max(m[SPEED] + STEP_s * pull / n[INERTIA], 5.0)
        m[TURNED] = turned + STEP_s * m[SPEED] / (2.0 * np.pi)
        m[SENSED] += STEP_s / n[MAP_LAG_s] * (m[PRESSURE] - m[SENSED])
        m[READ_rpm] += STEP_s * m[SPEED] / np.pi * (m[SPEED] * 30.0 / np.pi - m[READ_rpm])
        m[NOW_s] += STEP_s
    return 4.0 * np.round(m[READ_rpm] / 4.0), m[SENSED]


@dataclass(frozen=True)
class MeanValueEngine:
    """One such engine, and what an owner knows of it."""

    numbers: np.ndarray
    displacement_cm3: float
    cylinders: int
    target_rpm: float
    base_steps: float
    pulse_ms: float
    rest_ms: float


def make_mean_value_engine(seed: int) -> MeanValueEngine:
    """Draw an engine that idles at its target on its base steps."""
    rng = np.random.default_rng([seed, 7])
    cylinders = int(rng.choice([3, 4, 4, 6]))
    litres = float({3: 0.9, 4: 1.6, 6: 2.5}[cylinders] * rng.uniform(0.8, 1.2))
    target, base = float(rng.uniform(720.0, 980.0)), float(rng.integers(18, 45))
    n = np.zeros(17)
    n[IDLE_rad_s], n[IDLE_PRESSURE] = target * np.pi / 30.0, rng.uniform(0.28, 0.42)
    n[FILLING_s], n[DRAWN_SLOPE], n[DELAY_TURNS] = (
        rng.uniform(0.15, 0.4),
        rng.uniform(0.0, 0.3),
        rng.uniform(0.6, 1.1),
    )
    n[TORQUE_Nm], n[RISE] = litres * rng.uniform(9.0, 13.0), rng.uniform(0.05, 0.3)
    n[INERTIA] = 0.095 * litres**0.9 * rng.uniform(0.8, 1.3)
    n[LEAK], n[POWER], n[KNEE], n[BASE] = (
        rng.uniform(0.3, 0.6),
        rng.uniform(1.0, 1.5),
        base * rng.uniform(2.0, 4.0),
        base,
    )
    n[STEP_TIME_s], n[SCATTER], n[FIRINGS] = (
        rng.uniform(0.004, 0.008),
        rng.uniform(0.03, 0.09),
        cylinders / 2.0,
    )
    n[MAP_LAG_s], n[EFFICIENCY] = rng.uniform(0.02, 0.08), rng.uniform(0.45, 0.6)
    return MeanValueEngine(
        n, litres * 1000.0, cylinders, target, base, 4.0, 1000.0 * n[STEP_TIME_s] - 4.0 + 1.0
    )


class Running:
    """Such an engine as it runs."""

    def __init__(self, engine: MeanValueEngine, steps: float, draws: np.ndarray) -> None:
        n = engine.numbers
        self.numbers, self.draws, self.charges = n, draws, np.ones(4 * PER_TURN)
        self.memory = np.array(
            [n[IDLE_rad_s], n[IDLE_PRESSURE], 0.0, steps, -4.0, -4.0, n[IDLE_PRESSURE], engine.target_rpm]
        )

    def go(
        self, until_s: float, commanded: float, outside: tuple[float, float, float]
    ) -> tuple[float, float]:
        """Run on; measured speed and sensed pressure [rpm, kPa]."""
        rpm, pressure = go(self.numbers, self.memory, self.charges, until_s, commanded, outside, self.draws)
        return rpm, 100.5 * pressure
