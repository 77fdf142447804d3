"""Engines of another structure than the project's own, to be fitted by it.

Written independently of ``sim``: fixed time steps, torque as half-sine pulses, filling with gas
temperature, friction by another law, a hose with a volume, fuelling that lags.  Their numbers and
the parts of their structure are drawn from a seed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numba
import numpy as np

R, GAMMA, AMBIENT_Pa, AMBIENT_K = 287.0, 1.4, 100_500.0, 296.0
STEP_s = 0.0005
(
    CYLINDERS, SWEPT, INERTIA, VOLUME, HEATED_K, ADIABATIC, FILL0, FILL_P, FILL_W, WORK, FRICTION,
    RISE, POWER, PUMPING, LEAK, AREA, DEAD, KNEE, CURVE, HOSE, HOSE_VOLUME, SCATTER, MEMORY,
    ALTERNATE, FUEL_LAG, WALL, WALL_S, BASE_W, EFFICIENCY, MAP_LAG, SMOOTH, STEP_TIME, BACKLASH,
    SPARK_SLOPE, SPARK_WORTH, SPARK_rpm, COMPRESSION, UNEVEN, CUT_IN,
) = range(39)  # fmt: skip
"""Places of an engine's numbers."""


CHOKED_RATIO = 0.5283
CHOKED_FLOW = float(
    np.sqrt(
        2.0 * GAMMA / (GAMMA - 1.0)
        * (CHOKED_RATIO ** (2.0 / GAMMA) - CHOKED_RATIO ** (1.0 + 1.0 / GAMMA))
    )
)  # fmt: skip


CARRIES_FROM = 0.4
"""So far above its cut-in speed an alternator carries all loads, below in proportion, by our drawing [-]."""
ROOT_RT = float(np.sqrt(R * AMBIENT_K))


@numba.njit(cache=False)
def flux(upstream: float, downstream: float) -> float:
    """Compressible flow through an opening by its area [kg/s/m2]; St. Venant's equation."""
    if downstream >= upstream:
        return 0.0
    ratio, flow = downstream / upstream, CHOKED_FLOW
    if ratio > CHOKED_RATIO:
        flow = np.sqrt(2.0 * GAMMA / (GAMMA - 1.0) * (ratio ** (2.0 / GAMMA) - ratio ** (1.0 + 1.0 / GAMMA)))
    return upstream / ROOT_RT * flow


@numba.njit(cache=False)
def valve_area(n: np.ndarray, steps: float) -> float:
    """Valve area: dead steps, then a power of what is left, bent over at a knee [m2]."""
    x = max(steps - n[DEAD], 0.0) / (n[KNEE] - n[DEAD])
    return n[AREA] * np.tanh(x ** n[CURVE]) if x > 0.0 else 0.0


@numba.njit(cache=False)
def breathing(
    n: np.ndarray, w: float, p: float, gas_K: float, hose: float, area: float, open_m2: float
) -> tuple[float, float, float, float]:
    """Air drawn [kg/s], and rates of manifold pressure, gas temperature and hose pressure."""
    direct = flux(AMBIENT_Pa, p)
    through, hose_rate = area * direct, 0.0
    if n[HOSE] > 0.0:
        through = area * flux(hose, p)
        hose_rate = GAMMA * R * AMBIENT_K / n[HOSE_VOLUME]
        hose_rate *= n[HOSE] * flux(AMBIENT_Pa, hose) - through
    air_in = through + (n[LEAK] + open_m2) * direct
    fill = n[FILL0] + n[FILL_P] * p / AMBIENT_Pa + n[FILL_W] * w / 100.0
    air_out = fill * n[SWEPT] * w / (4.0 * np.pi) * p / (R * gas_K)
    if n[ADIABATIC] < 0.5:
        return air_out, R * n[HEATED_K] / n[VOLUME] * (air_in - air_out), 0.0, hose_rate
    rate = GAMMA * R / n[VOLUME] * (air_in * AMBIENT_K - air_out * gas_K)
    mass = p * n[VOLUME] / (R * gas_K)
    warmed = gas_K * (rate / p - (air_in - air_out) / mass) + 2.0 * (n[HEATED_K] - gas_K)
    return air_out, rate, warmed, hose_rate


@numba.njit(cache=False)
def pushing(began: np.ndarray, works: np.ndarray, turned: float) -> float:
    """Torque of the strokes under way, each half a sine over half a turn [Nm]."""
    torque = 0.0
    for i in range(16):
        past = turned - began[i] - np.pi
        if 0.0 < past < np.pi:
            torque += works[i] * 0.5 * np.sin(past)
    return torque


@numba.njit(cache=False)
def holding(n: np.ndarray, w: float, p: float, given_W: float) -> float:
    """Torque of friction, pumping and alternator, which gives nothing below its cut-in speed [Nm]."""
    friction = n[FRICTION] + n[RISE] * (w / 100.0) ** n[POWER]
    friction += n[PUMPING] * (AMBIENT_Pa - p) * n[SWEPT] / (4.0 * np.pi)
    able = min(max((w / n[CUT_IN] - 1.0) / CARRIES_FROM, 0.0), 1.0)
    return friction + able * given_W / n[EFFICIENCY] / max(w, 20.0)


@numba.njit(cache=False)
def fuelled(n: np.ndarray, w: float, lagged: float, film: float) -> tuple[float, float]:
    """Fuel that reaches a cylinder, as the air it would burn, and the film on the wall [kg]."""
    interval = 4.0 * np.pi / n[CYLINDERS]
    speed_fill = n[FILL0] + n[FILL_P] * lagged / AMBIENT_Pa + n[FILL_W] * w / 100.0
    metered = speed_fill * n[SWEPT] / n[CYLINDERS] * lagged / (R * n[HEATED_K])
    evaporated = film * min(interval / w / n[WALL_S], 1.0)
    return (1.0 - n[WALL]) * metered + evaporated, film + n[WALL] * metered - evaporated


@numba.njit(cache=False)
def burnt(n: np.ndarray, drawn: float, fuel: float, rpm: float, quality: float, which: int) -> float:
    """Work of one charge, by its mixture, the spark at that speed, cylinder and chance [J]."""
    lean = drawn / max(fuel, 1e-9) - 0.92
    share = 1.0 - 1.6 * lean * lean
    share *= 1.0 + n[SPARK_WORTH] * n[SPARK_SLOPE] * (n[SPARK_rpm] - rpm) / 100.0
    even = 1.0 + n[UNEVEN] * np.cos(2.4 * which)
    return max(n[WORK] * drawn * share * even * (1.0 + quality), 0.0)


@numba.njit(cache=False)
def stepped(n: np.ndarray, commanded: float, shaft: float, pintle: float) -> tuple[float, float]:
    """One step of the shaft toward what is commanded; the pintle follows through its backlash."""
    shaft += 1.0 if commanded > shaft else -1.0
    return shaft, max(min(pintle, shaft), shaft - n[BACKLASH])


@numba.njit(cache=False)
def begun(n: np.ndarray, start_rpm: float, steps: float, t: float) -> np.ndarray:
    """Memory of an engine as it begins: its moving numbers, and its last sixteen strokes."""
    w, p = start_rpm * np.pi / 30.0, 35_000.0
    memory = np.zeros((4, 20))
    memory[0] = np.array([
        w, p, AMBIENT_Pa, n[HEATED_K], steps, steps, t, 0.0, 0.0, t, 0.0, 0.0, 0.0, n[BASE_W],
        p, p, 0.0, start_rpm, t, w,
    ])  # fmt: skip
    memory[1] = -1e9
    return memory


@numba.njit(cache=False)
def go(
    n: np.ndarray, memory: np.ndarray, until_s: float, commanded: float,
    outside: tuple[float, float, float], draws: np.ndarray,
) -> tuple[float, float, float]:  # fmt: skip
    """Run on to a time; ``outside`` are load [W], torque [Nm] and open throttle [m2].

    ``draws`` are standard normal numbers, one a firing, begun again when they are used up.
    Gives measured rpm, sensed pressure [Pa] and the lowest true rpm so far.
    """
    m, began, works, last = memory[0], memory[1], memory[2], memory[3]
    w, p, hose, gas_K, shaft, pintle, ready_s = m[0], m[1], m[2], m[3], m[4], m[5], m[6]
    angle, drawn, fired_s, turned, noise, newest = m[7], m[8], m[9], m[10], m[11], int(m[12])
    given_W, lagged, sensed, film, rpm, t, lowest = m[13], m[14], m[15], m[16], m[17], m[18], m[19]
    cylinders, interval = int(n[CYLINDERS]), 4.0 * np.pi / n[CYLINDERS]
    area = valve_area(n, pintle)
    while t < until_s:
        if shaft != commanded and t >= ready_s:
            shaft, pintle = stepped(n, commanded, shaft, pintle)
            ready_s, area = t + n[STEP_TIME], valve_area(n, pintle)
        air_out, rate, warmed, hose_rate = breathing(n, w, p, gas_K, hose, area, outside[2])
        given_W += STEP_s / 0.15 * (n[BASE_W] + outside[0] - given_W)
        pull = pushing(began, works, turned) - holding(n, w, p, given_W) - outside[1]
        if n[COMPRESSION] > 0.0:
            pull -= n[COMPRESSION] * p / AMBIENT_Pa * np.sin(2.0 * np.pi * angle / interval)
        before, w = w, max(w + STEP_s * pull / n[INERTIA], 1.0)
        lowest = min(lowest, w)
        p, gas_K, hose = p + STEP_s * rate, gas_K + STEP_s * warmed, hose + STEP_s * hose_rate
        drawn += STEP_s * air_out
        lagged += STEP_s / (n[FUEL_LAG] + STEP_s) * (p - lagged)
        sensed += STEP_s / n[MAP_LAG] * (p - sensed)
        move = 0.5 * STEP_s * (before + w)
        angle, turned, t = angle + move, turned + move, t + STEP_s
        if angle >= interval:
            crossed_s = t - (angle - interval) / w
            fresh = interval / (crossed_s - fired_s) * 30.0 / np.pi
            rpm = n[SMOOTH] * rpm + (1.0 - n[SMOOTH]) * fresh
            fired_s, angle = crossed_s, angle - interval
            fuel, film = fuelled(n, w, lagged, film)
            noise = n[MEMORY] * noise + np.sqrt(1.0 - n[MEMORY] ** 2) * draws[newest % draws.size]
            which = newest % cylinders
            last[which] = n[SCATTER] * noise - n[ALTERNATE] * last[which]
            newest += 1
            began[newest % 16] = turned
            works[newest % 16] = burnt(n, drawn, fuel, rpm, last[which], which)
            drawn = 0.0
    m[:] = np.array([
        w, p, hose, gas_K, shaft, pintle, ready_s, angle, drawn, fired_s, turned, noise,
        float(newest), given_W, lagged, sensed, film, rpm, t, lowest,
    ])  # fmt: skip
    return rpm, sensed, lowest * 30.0 / np.pi


@numba.njit(cache=False)
def run(
    n: np.ndarray,
    time_s: np.ndarray,
    steps: np.ndarray,
    load_W: np.ndarray,
    start_rpm: float,
    draws: np.ndarray,
    out: np.ndarray,
) -> None:
    """Drive an engine; ``out`` (2, rows) gets measured rpm and sensed pressure [Pa]."""
    memory = begun(n, start_rpm, steps[0], time_s[0] - 4.0)
    commanded = steps[0]
    for row in range(time_s.size):
        outside = (load_W[row], 0.0, 0.0)
        rpm, sensed, _ = go(n, memory, time_s[row], commanded, outside, draws)
        out[0, row], out[1, row] = rpm, sensed
        commanded = steps[row]


def chance(seed: int) -> np.ndarray:
    """Standard normal numbers for minutes of firings."""
    return np.random.default_rng(seed).standard_normal(40_000)


@dataclass(frozen=True)
class ForeignEngine:
    """One engine of another structure: its numbers, and what an owner knows of it."""

    numbers: np.ndarray
    displacement_cm3: float
    target_rpm: float
    base_steps: float
    pulse_ms: float
    rest_ms: float

    @property
    def cylinders(self) -> int:
        """Number of cylinders."""
        return int(self.numbers[CYLINDERS])

    def drive(
        self, time_s: np.ndarray, steps: np.ndarray, load_W: np.ndarray | None = None,
        seed: int = 0, noisy: bool = True, start_rpm: float = 0.0,
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        """Speed [rpm] and manifold pressure [kPa] that its owner would record."""
        numbers = self.numbers.copy()
        if not noisy:
            numbers[SCATTER] = 0.0
        out = np.zeros((2, time_s.size))
        load = np.zeros(time_s.size) if load_W is None else load_W
        draws = chance(seed)
        run(numbers, time_s, steps.astype(float), load, start_rpm or self.target_rpm, draws, out)
        return out[0], out[1] / 1000.0

    def needing(self, steps: float) -> ForeignEngine:
        """The same engine with a leak by which it needs the valve to stand so much further open.

        The valve itself stands on whole steps: begun between two it would go to and fro about each told.
        """
        n, base = self.numbers.copy(), self.base_steps
        n[LEAK] -= valve_area(n, base + steps) - valve_area(n, base)
        return replace(self, numbers=n)

    def settled_rpm(self, steps: float) -> float:
        """Speed with the valve held, without scatter [rpm]."""
        time_s = np.arange(0.0, 16.0, 0.02)
        rpm, _ = self.drive(time_s, np.full(time_s.size, steps), noisy=False)
        return float(np.mean(rpm[-200:]))


def _draw(rng: np.random.Generator) -> tuple[np.ndarray, float]:
    n = np.zeros(39)
    cylinders = int(rng.choice([2, 4, 4, 4, 5, 6, 8]))
    litres = float({2: 0.6, 4: 1.4, 5: 2.2, 6: 2.6, 8: 3.6}[cylinders] * rng.uniform(0.8, 1.25))
    n[CYLINDERS], n[SWEPT] = cylinders, litres * 1e-3
    n[INERTIA] = 0.105 * litres**0.9 * rng.uniform(0.8, 1.3)
    n[VOLUME] = litres * 1e-3 * rng.uniform(1.2, 2.8)
    n[HEATED_K], n[ADIABATIC] = rng.uniform(305.0, 330.0), float(rng.random() < 0.5)
    n[FILL0], n[FILL_P], n[FILL_W] = (rng.uniform(0.4, 0.5), rng.uniform(0.25, 0.4), rng.uniform(-0.02, 0.05))
    n[WORK] = rng.uniform(0.95e6, 1.15e6)
    n[FRICTION], n[POWER] = litres * rng.uniform(6.0, 7.5), rng.uniform(1.0, 2.0)
    n[RISE], n[PUMPING] = litres * rng.uniform(1.5, 3.0), 1.0
    n[DEAD], n[KNEE], n[CURVE] = (rng.uniform(0.0, 4.0), rng.uniform(45.0, 70.0), rng.uniform(1.1, 1.6))
    if rng.random() < 0.4:
        n[HOSE], n[HOSE_VOLUME] = 1.0, rng.uniform(0.5e-4, 1.5e-4)
    n[SCATTER], n[MEMORY], n[ALTERNATE] = (
        rng.uniform(0.04, 0.08),
        rng.uniform(0.0, 0.4),
        rng.uniform(0.0, 0.3),
    )
    if rng.random() < 0.5:
        n[FUEL_LAG], n[WALL], n[WALL_S] = (
            rng.uniform(0.02, 0.1),
            rng.uniform(0.0, 0.3),
            rng.uniform(0.2, 0.8),
        )
    n[WALL_S] = max(n[WALL_S], 0.2)
    n[BASE_W], n[EFFICIENCY] = rng.uniform(90.0, 160.0), rng.uniform(0.45, 0.6)
    n[MAP_LAG], n[SMOOTH] = rng.uniform(0.03, 0.08), rng.uniform(0.2, 0.6)
    n[BACKLASH] = float(rng.choice([0.0, 0.5, 1.0]))
    n[SPARK_WORTH], n[SPARK_SLOPE] = 0.012, float(rng.choice([0.0, 0.0, 1.0, 2.0]))
    return n, litres


WIDE_FROM = 101
"""Engines from this seed on are of the widened family."""


CUT_IN_rpm = (400.0, 550.0)
"""Crank speeds between which alternators begin to give, by our choice. A published output (Westerbeke 33A,
technical data, pulley ratio 1.78) of 16 A hot at 1300 rpm of its own and 41 A at 2500 comes to nothing at
300 rpm of the crank along a straight line, at 560 along 1 - cut-in / speed. Without any, loads held engines
below 300 rpm until they stalled."""


def _widened(n: np.ndarray, litres: float, rng: np.random.Generator) -> tuple[np.ndarray, float, bool]:
    """Torque within the cycle, uneven cylinders, more film; some small fours near a stall."""
    n, small = n.copy(), bool(rng.random() < 0.2)
    if small:
        before, litres = litres, float(rng.uniform(0.95, 1.15))
        n[CYLINDERS] = 4
        for which in (SWEPT, INERTIA, VOLUME, FRICTION, RISE):
            n[which] *= litres / before
        n[INERTIA] *= 0.95
    n[COMPRESSION] = litres * rng.uniform(5.0, 20.0)
    n[UNEVEN] = rng.uniform(0.0, 0.06)
    if rng.random() < 0.5:
        n[WALL], n[WALL_S] = rng.uniform(0.1, 0.3), rng.uniform(0.3, 0.9)
        n[FUEL_LAG] = max(n[FUEL_LAG], rng.uniform(0.0, 0.08))
    return n, litres, small


def make_engine(seed: int) -> ForeignEngine:
    """Draw an engine that idles at its target on its base steps."""
    rng = np.random.default_rng(seed)
    n, litres = _draw(rng)
    n[CUT_IN] = np.random.default_rng([seed, 2]).uniform(*CUT_IN_rpm) * np.pi / 30.0
    low_idle = 0.0
    if seed >= WIDE_FROM:
        n, litres, small = _widened(n, litres, np.random.default_rng([seed, 1]))
        low_idle = 30.0 if small else 0.0
    target = float(rng.uniform(780.0, 950.0) + (120.0 if n[CYLINDERS] == 2 else 0.0)) - low_idle
    base, leak_share = float(rng.integers(14, 26)), rng.uniform(0.3, 0.6)
    n[SPARK_rpm] = target
    low, high = 0.5e-6 * litres, 40e-6 * litres
    pulse_ms, rest_ms = 4.0, float(rng.choice([1.0, 2.0, 4.0]))
    n[STEP_TIME] = 1e-3 * (pulse_ms + rest_ms)
    engine = ForeignEngine(n, litres * 1000.0, target, base, pulse_ms, rest_ms)
    hosed = n[HOSE] > 0.0
    for _ in range(22):
        total = np.sqrt(low * high)
        n = n.copy()
        n[LEAK], n[AREA] = leak_share * total, 1.0
        n[AREA] = (1.0 - leak_share) * total / valve_area(n, base)
        n[HOSE] = 1.2 * n[AREA] * rng_free(seed) if hosed else 0.0
        engine = replace(engine, numbers=n)
        if engine.settled_rpm(base) < target:
            low = total
        else:
            high = total
    return engine


def rng_free(seed: int) -> float:
    """A number between 0.5 and 1 that goes with a seed."""
    return 0.5 + 0.5 * ((seed * 2654435761) % 1000) / 1000.0
