"""What a replay reads at the wanted times: held values, straight lines, centred speeds."""

from __future__ import annotations

import numpy as np

from controllers import relation
from sim.handlers import battery_now
from sim.records import Block


@relation
def fill_line(
    ticks: np.ndarray, row: int, tick0: float, value0: float, tick1: float, value1: float, out: np.ndarray
) -> int:
    """Read a line at all wanted times up to its end, held before it; gives the first not yet read."""
    slope = (value1 - value0) / (tick1 - tick0) if tick1 > tick0 else 0.0
    while row < len(ticks) and ticks[row] <= tick1:
        beyond = ticks[row] - tick0
        out[row] = value0 + slope * beyond if beyond > 0.0 else value0
        row += 1
    return row


@relation
def read_step(
    s: Block, p: Block, ticks: np.ndarray, held: bool, tick: float, sensed_Pa: float,
    rows: tuple[int, int, int], out: np.ndarray,
) -> tuple[int, int, int]:  # fmt: skip
    """Read all but centred speed at the wanted times that a step went past; gives the first not yet read."""
    rpm_row, map_row, slow_row = rows
    now = s.tick[0]
    map_row = fill_line(ticks, map_row, tick, sensed_Pa, now, s.map_sensed_Pa[0], out[1])
    if held:
        while rpm_row < len(ticks) and ticks[rpm_row] < now:
            out[0, rpm_row] = s.measured_rpm[0]
            rpm_row += 1
    while slow_row < len(ticks) and ticks[slow_row] <= now:
        out[2, slow_row] = s.spark_deg[0]
        out[3, slow_row] = battery_now(s, p, 0)
        slow_row += 1
    return rpm_row, map_row, slow_row


@relation
def read_centred(
    s: Block, ticks: np.ndarray, rows: tuple[int, int, int], centre: tuple[float, float], out: np.ndarray
) -> tuple[tuple[int, int, int], tuple[float, float]]:
    """At a firing, read speed by a line to the middle of the time its measured value was held."""
    middle = 0.5 * (s.fired_tick[0] + s.tick[0])
    read = s.measured_rpm[0]
    row = fill_line(ticks, rows[0], centre[0], centre[1], middle, read, out[0])
    return (row, rows[1], rows[2]), (middle, read)
