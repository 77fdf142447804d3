"""Idle controllers: one shell, many laws; they know measurements and nothing of the plant.

The public names are loaded when first asked for, so that reading a settings file does not start the compiler.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from controllers.compiling import (
        compile_part,
        compiled,
        hold,
        is_warm,
        machine_code,
        now_warm,
        pick,
        relation,
        routine,
    )
    from controllers.controller import controller_row, make_controller
    from controllers.curves import begin_running, car_curves, curve_along, curve_at, read_coolant
    from controllers.law import DERIVATIVE, GAIN, INTEGRAL
    from controllers.laws import LAWS, law_of, setting_acts
    from controllers.records import (
        MEMORY_FIELDS,
        NEVER,
        SETTINGS_FIELDS,
        TICKS_PER_s,
        block_dtype,
        matrix,
        rows,
        s_PER_TICK,
    )
    from controllers.settings import Curves, Feedback, GainsForOneRpm, within
    from controllers.shell import idle_spark_trim, open_loop_steps, update

_HOMES = {
    name: home
    for home, names in {
        "compiling": "compile_part compiled is_warm machine_code hold now_warm pick relation routine",
        "controller": "controller_row make_controller",
        "curves": "begin_running car_curves curve_along curve_at read_coolant",
        "law": "DERIVATIVE GAIN INTEGRAL",
        "laws": "LAWS law_of setting_acts",
        "records": "MEMORY_FIELDS NEVER SETTINGS_FIELDS TICKS_PER_s block_dtype matrix rows s_PER_TICK",
        "settings": "Curves Feedback GainsForOneRpm within",
        "shell": "idle_spark_trim open_loop_steps update",
    }.items()
    for name in names.split()
}

__all__ = [
    "DERIVATIVE", "GAIN", "INTEGRAL", "LAWS", "MEMORY_FIELDS", "NEVER", "SETTINGS_FIELDS", "Curves",
    "Feedback", "GainsForOneRpm", "TICKS_PER_s", "begin_running", "block_dtype", "car_curves",
    "compile_part", "compiled", "controller_row", "curve_along", "curve_at", "hold", "idle_spark_trim",
    "is_warm", "law_of", "machine_code", "make_controller", "matrix", "now_warm", "open_loop_steps", "pick",
    "read_coolant", "relation", "routine", "rows", "s_PER_TICK", "setting_acts", "update", "within",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'controllers' has no attribute {name!r}")
    value = getattr(import_module(f"controllers.{_HOMES[name]}"), name)
    globals()[name] = value
    return value
