"""evenidle for notebooks and scripts: the public names of its folders, in one place.

Each is loaded when first asked for, so that the import itself costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from controllers import make_controller
    from sim import (
        Car,
        InputError,
        Scenario,
        Trace,
        bundled_cars,
        bundled_logs,
        bundled_scenarios,
        load_car,
        load_scenario,
        save_car,
        simulate,
        with_values,
    )
    from tuning import (
        base_from_logs,
        base_from_model,
        check,
        compare,
        diagnose,
        explain,
        fit,
        measure,
        read_log,
        stress,
        tune,
        write_log,
    )

__all__ = [
    "Car", "InputError", "Scenario", "Trace", "base_from_logs", "base_from_model", "bundled_cars",
    "bundled_logs", "bundled_scenarios", "check", "compare", "diagnose", "explain", "fit", "load_car",
    "load_scenario", "make_controller", "measure", "read_log", "save_car", "simulate", "stress", "tune",
    "with_values", "write_log",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name in __all__:
        for folder in map(import_module, ("sim", "tuning", "controllers")):
            if name in folder.__all__:
                return getattr(folder, name)
    raise AttributeError(f"module 'evenidle' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
