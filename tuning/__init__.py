"""From logs and models to settings: measures, fit, diagnosis, explanation, search, stress.

The public names are loaded when first asked for, so that a command which reads a log does not
start the optimiser.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tuning.base_curve import base_from_logs
    from tuning.base_model import base_from_model
    from tuning.check import check
    from tuning.compare import compare
    from tuning.diagnose import diagnose
    from tuning.explain import explain
    from tuning.fit import fit
    from tuning.logs import read_log, write_log
    from tuning.measures import measure
    from tuning.stress import stress
    from tuning.tune import tune

_HOMES = {
    "base_from_logs": "base",
    "base_from_model": "base",
    "check": "check",
    "compare": "compare",
    "diagnose": "diagnose",
    "explain": "explain",
    "fit": "fit",
    "measure": "measures",
    "read_log": "logs",
    "stress": "stress",
    "tune": "tune",
    "write_log": "logs",
}

__all__ = [
    "base_from_logs",
    "base_from_model",
    "check",
    "compare",
    "diagnose",
    "explain",
    "fit",
    "measure",
    "read_log",
    "stress",
    "tune",
    "write_log",
]


class _Package(ModuleType):
    """A package in which a function wins over the module of the same name.

    Importing ``tuning.fit`` binds the module to ``tuning.fit``; the contract's name there is the
    function.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if _HOMES.get(name) == name and isinstance(value, ModuleType):
            value = getattr(value, name, value)
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'tuning' has no attribute {name!r}")
    value = getattr(import_module(f"tuning.{home}"), name)
    globals()[name] = value
    return value
