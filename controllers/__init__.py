"""Idle controllers: one shell, many laws; they know measurements and nothing of the plant.

The public names are loaded when first asked for, so that reading a settings file does not
start the compiler.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from controllers.compiling import compiled, hold, is_warm, machine_code, pick, relation, routine
    from controllers.controller import Controller, car_curves, controller_row, make_controller
    from controllers.curves import (
        POINTS,
        begin_running,
        curve_along,
        curve_at,
        curve_table,
        curve_value,
        read_coolant,
    )
    from controllers.law import DERIVATIVE, GAIN, INTEGRAL, Law
    from controllers.laws import LAWS, law_code, law_of, setting_acts
    from controllers.records import (
        MEMORY_FIELDS,
        NEVER,
        SETTINGS_FIELDS,
        TICKS_PER_s,
        block_dtype,
        matrix,
        new_block,
        rows,
        s_PER_TICK,
    )
    from controllers.settings import Curves, Feedback
    from controllers.shell import clamp, idle_spark_trim, open_loop_steps, update

_HOMES = {
    "compiled": "compiling",
    "is_warm": "compiling",
    "machine_code": "compiling",
    "hold": "compiling",
    "pick": "compiling",
    "relation": "compiling",
    "routine": "compiling",
    "Controller": "controller",
    "car_curves": "controller",
    "controller_row": "controller",
    "DERIVATIVE": "law",
    "GAIN": "law",
    "INTEGRAL": "law",
    "Law": "law",
    "LAWS": "laws",
    "law_code": "laws",
    "law_of": "laws",
    "setting_acts": "laws",
    "make_controller": "controller",
    "POINTS": "curves",
    "begin_running": "curves",
    "curve_along": "curves",
    "curve_at": "curves",
    "curve_table": "curves",
    "curve_value": "curves",
    "read_coolant": "curves",
    "MEMORY_FIELDS": "records",
    "NEVER": "records",
    "SETTINGS_FIELDS": "records",
    "TICKS_PER_s": "records",
    "block_dtype": "records",
    "matrix": "records",
    "new_block": "records",
    "rows": "records",
    "s_PER_TICK": "records",
    "Curves": "settings",
    "Feedback": "settings",
    "clamp": "shell",
    "idle_spark_trim": "shell",
    "open_loop_steps": "shell",
    "update": "shell",
}

__all__ = [
    "DERIVATIVE",
    "GAIN",
    "INTEGRAL",
    "LAWS",
    "MEMORY_FIELDS",
    "NEVER",
    "POINTS",
    "SETTINGS_FIELDS",
    "Controller",
    "Curves",
    "Feedback",
    "Law",
    "TICKS_PER_s",
    "begin_running",
    "block_dtype",
    "car_curves",
    "clamp",
    "compiled",
    "controller_row",
    "curve_along",
    "curve_at",
    "curve_table",
    "curve_value",
    "hold",
    "idle_spark_trim",
    "is_warm",
    "law_code",
    "law_of",
    "machine_code",
    "make_controller",
    "matrix",
    "new_block",
    "open_loop_steps",
    "pick",
    "read_coolant",
    "relation",
    "routine",
    "rows",
    "s_PER_TICK",
    "setting_acts",
    "update",
]


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'controllers' has no attribute {name!r}")
    value = getattr(import_module(f"controllers.{home}"), name)
    globals()[name] = value
    return value
