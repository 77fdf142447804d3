"""From logs and models to settings: one package a subject, each using only those before it.

logs, measures, log_events, loop, ensemble, studies, starts, checks, open_loop, identification,
diagnosis, explanation, stress_tests, search, prediction.  The public names are loaded when first
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
    "base_from_logs": "open_loop",
    "base_from_model": "open_loop",
    "check": "checks",
    "compare": "prediction",
    "diagnose": "diagnosis",
    "explain": "explanation",
    "fit": "identification",
    "measure": "measures",
    "read_log": "logs",
    "stress": "stress_tests",
    "tune": "search",
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


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'tuning' has no attribute {name!r}")
    value = getattr(import_module(f"tuning.{home}"), name)
    globals()[name] = value
    return value
