"""evenidle for notebooks and scripts: the public names of its folders, in one place.

Each is loaded when first asked for, so that the import itself costs next to nothing.
"""

# ruff: noqa: F403, F405
from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from controllers import *
    from sim import *
    from tuning import *

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
