"""The controller's two plain records: its settings and its memory.

Every field is a float64 array with one entry a lane, so that the same code serves one controller or several
side by side. Rates are per rpm inside (the files use 100 rpm). Time is counted in whole ticks of 0.1 ns held
in a float64, which is exact for ten days; rounding a firing to 1 ns would shift speed by a millionth of a
rpm.
"""

from __future__ import annotations

from typing import Any

import numpy as np

Block = Any  # A record of float64 fields, one entry a lane (numpy cannot type its attributes).

TICKS_PER_s = 1.0e10  # Ticks of the clock in one second.
s_PER_TICK = 1.0 / TICKS_PER_s  # noqa: N816 (a unit keeps its own letters)
"""Length of a tick [s]; multiplying is several times quicker than dividing."""
NEVER = 9.0e15  # A tick that no run reaches.

SETTINGS_FIELDS = (
    "law",  # code of the law, see controllers.laws
    "gain_steps_per_rpm",
    "integral_steps_per_rpm_s",
    "derivative_steps_s_per_rpm",
    "deadband_rpm",  # half-width
    "min_move_steps",
    "period_ticks",
    "period_s",
    "trim_low_steps",
    "trim_high_steps",
    "enable_above_rpm",
    "enable_delay_ticks",  # after the start
    "open_limit_steps",
    "nudge_steps",
    "rpm_per_step",  # what the parking law believes
    "entry_extra_steps",
    "entry_fade_ticks",
    "load_steps_per_W",
    "aircon_steps",
    "after_fade_ticks",
    "spark_deg_per_rpm",
    "spark_limit_deg",
)

MEMORY_FIELDS = (
    "base_steps",
    "target_rpm",
    "cranking_steps",
    "after_steps",  # after-start air at the moment of starting
    "started_tick",  # when the engine began to run; NEVER while it does not
    "closed_tick",  # when the throttle was last closed
    "throttle_closed",  # 1 or 0
    "load_W",  # electric load the controller knows of
    "aircon_on",  # 1 or 0
    "integral_steps",
    "trim_steps",
    "last_rpm",
    "wanted_steps",
    "commanded_steps",
    "updates",  # done so far
    "due_update",  # tick of the next update
    "spark_trim_deg",
    "moves",
    "reversals",
    "last_direction",
    "limited_updates",  # updates at a trim limit
    "enabled",  # 1 while feedback acts
)


def block_dtype(fields: tuple[str, ...], lanes: int) -> np.dtype[Any]:
    """Layout of a block of records, each field with one float64 a lane, read by attribute.

    Parameters
    ----------
    fields, lanes : tuple of str, int

    Returns
    -------
    numpy.dtype
    """
    return np.dtype((np.record, [(name, np.float64, (lanes,)) for name in fields]))


def new_block(fields: tuple[str, ...], lanes: int) -> Block:
    """Make a block of zeros."""
    return np.zeros(1, dtype=block_dtype(fields, lanes))[0]


def rows(fields: tuple[str, ...], count: int) -> Any:
    """Make a table of zeros with one plain float64 column a field, for many cars or settings.

    Parameters
    ----------
    fields, count : tuple of str, int

    Returns
    -------
    numpy.recarray
    """
    return np.zeros(count, dtype=np.dtype([(name, np.float64) for name in fields]))


def matrix(table: Any) -> np.ndarray:
    """View a table that ``rows`` makes as a two-dimensional array of the same memory.

    Parameters
    ----------
    table : numpy.ndarray

    Returns
    -------
    numpy.ndarray
    """
    return np.ascontiguousarray(table).view(np.float64).reshape(len(table), -1)
