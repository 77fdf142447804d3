"""The same engine run by general solvers: slow, independent of our stepping, same equations.

The right-hand side is the compiled model's own ``slopes``; what is replaced is the integration
from event to event and the location of firings.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from controllers import TICKS_PER_s, compiled
from sim.records import FIRING, SCENARIO, UPDATE, VALVE_STEP
from sim.schedule import NarratedRun
from sim.slopes import slopes

SECONDS_PER_TICK = 1.0 / TICKS_PER_s


@compiled
def right_hand_side(state: np.ndarray, parameters: np.ndarray, y: np.ndarray, out: np.ndarray) -> None:
    """Slopes of pressure, speed, angle, alternator power and air drawn since the last firing."""
    rates = slopes(state[0], parameters[0], 0, y[0], y[1], y[3], False)
    out[0] = rates[0]
    out[1] = rates[1]
    out[2] = y[1]
    out[3] = rates[2]
    out[4] = rates[4]


SMALL = np.array([1e-8, 1e-12, 1e-13, 1e-10, 1e-18])
"""Error allowed near zero in Pa, rad/s, rad, W and kg: each far below what a run shows."""
Segment = Callable[
    [Callable[[float, np.ndarray], np.ndarray], np.ndarray, float, float], tuple[float, np.ndarray]
]
"""Integrate from a state over at most a time, or until the angle is reached: (time, state)."""


def by_solve_ivp(
    slope: Callable[[float, np.ndarray], np.ndarray], y: np.ndarray, most_s: float, angle: float
) -> tuple[float, np.ndarray]:
    """One segment by scipy's ``solve_ivp`` with the firing as a terminal event."""
    from scipy.integrate import solve_ivp

    def crossing(_t: float, state: np.ndarray) -> float:
        return float(state[2] - angle)

    crossing.terminal = True  # type: ignore[attr-defined]
    crossing.direction = 1.0  # type: ignore[attr-defined]
    done = solve_ivp(slope, (0.0, most_s), y, method="DOP853", rtol=1e-13, atol=SMALL, events=crossing)
    return float(done.t[-1]), np.asarray(done.y[:, -1])


def by_control(
    slope: Callable[[float, np.ndarray], np.ndarray], y: np.ndarray, most_s: float, angle: float
) -> tuple[float, np.ndarray]:
    """One segment by python-control's ``input_output_response``, the firing by chord steps."""
    import control

    system = control.NonlinearIOSystem(
        lambda t, x, _u, _p: slope(t, x), None, inputs=0, outputs=5, states=5, name="segment"
    )

    def run(state: np.ndarray, length: float) -> np.ndarray:
        if length <= 0.0:
            return state
        answer = control.input_output_response(
            system, [0.0, length], 0, state, solve_ivp_kwargs={"rtol": 1e-8}
        )
        return np.asarray(answer.states[:, -1])

    length = min((angle - y[2]) / y[1], most_s)
    state = run(y, length)
    if length < most_s:
        # Cover the small rest along the last slope, as any event-driven use of it would.
        rest = (angle - state[2]) / state[1]
        state = state + slope(0.0, state) * rest
        length += rest
    return length, state


def run_segmented(run: NarratedRun, segment: Segment) -> tuple[np.ndarray, np.ndarray]:
    """Run a scenario to its end with another integrator between the same handlers.

    Returns times [s] and true speed [rad/s] at each event.
    """
    rows = {name: run.state._row[name] for name in STATES}
    block = run.blocks.state_matrix[:, 0]
    state, parameters = run.blocks.state, run.blocks.parameters
    firing_rad = float(parameters[0].firing_rad[0])
    rate = np.empty(5)

    def slope(_t: float, y: np.ndarray) -> np.ndarray:
        right_hand_side(state, parameters, np.ascontiguousarray(y), rate)
        return rate.copy()

    index = [rows[name] for name in STATES]
    times, speeds = [], []
    while run.state("live") > 0.5:
        dues = {
            VALVE_STEP: run.state("due_valve"),
            SCENARIO: run.state("due_event"),
            UPDATE: run.memory("due_update"),
        }
        code = min(dues, key=lambda key: (dues[key], key))
        most_s = (dues[code] - run.state("tick")) * SECONDS_PER_TICK
        y = block[index].copy()
        used_s, y = segment(slope, y, max(most_s, 0.0), firing_rad) if most_s > 0 else (0.0, y)
        fires = y[2] >= firing_rad - 1.0e-9
        now = run.state("tick") + round(used_s * TICKS_PER_s)
        if fires:
            # A firing is timed to the tick in both: on to it, at most half a tick either way.
            y = y + slope(0.0, y) * (round(used_s * TICKS_PER_s) * SECONDS_PER_TICK - used_s)
        block[index] = y
        block[run.state._row["tick"]] = now if fires else dues[code]
        block[run.state._row["event"]] = FIRING if fires else code
        if fires:
            block[rows["angle_rad"]] -= firing_rad
            run.steps.fire()
        else:
            run.steps.handle()
        times.append(run.state("tick") * SECONDS_PER_TICK)
        speeds.append(run.state("speed_rad_s"))
    return np.asarray(times), np.asarray(speeds)


STATES = ("map_Pa", "speed_rad_s", "angle_rad", "given_W", "drawn_kg")
"""State fields that a segment integrates, in the order of ``right_hand_side``."""
