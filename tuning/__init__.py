"""From logs and models to settings: one package a subject, each using only those before it.

logs, measures, log_events, loop, ensemble, studies, starts, checks, open_loop, identification,
diagnosis, explanation, stress_tests, search, prediction. The public names are loaded when first
asked for, so that a command which reads a log does not start the optimiser.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tuning.checks import check
    from tuning.diagnosis import diagnose
    from tuning.explanation import explain
    from tuning.identification import fit
    from tuning.logs import read_log, write_log
    from tuning.measures import measure
    from tuning.open_loop import base_from_logs, base_from_model
    from tuning.prediction import compare
    from tuning.search import tune
    from tuning.stress_tests import stress

_HOMES = {
    name: home
    for home, names in {
        "checks": "check",
        "diagnosis": "diagnose",
        "explanation": "explain",
        "identification": "fit",
        "logs": "read_log write_log",
        "measures": "measure",
        "open_loop": "base_from_logs base_from_model",
        "prediction": "compare",
        "search": "tune",
        "stress_tests": "stress",
    }.items()
    for name in names.split()
}

__all__ = [
    "base_from_logs", "base_from_model", "check", "compare", "diagnose", "explain", "fit",
    "measure", "read_log", "stress", "tune", "write_log",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'tuning' has no attribute {name!r}")
    value = getattr(import_module(f"tuning.{_HOMES[name]}"), name)
    globals()[name] = value
    return value
