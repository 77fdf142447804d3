"""From logs and models to settings: one package a subject, each using only those before it.

logs, measures, log_events, loop, ensemble, studies, starts, checks, open_loop, identification,
diagnosis, explanation, stress_tests, search, prediction. The public names are loaded when first
asked for, so that a command which reads a log does not start the optimiser.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    # isort: off
    from tuning.checks import Check, Spot, base_error_steps, base_spots, check
    from tuning.diagnosis import Diagnosis, diagnose
    from tuning.explanation import Explanation, HuntingMap, Moment, StartChance, Story, explain
    from tuning.explanation import hunting_chance, hunting_map, what_ifs
    from tuning.identification import Curve, Fit, Fitted, fit, recording_plan
    from tuning.log_events import Segment, read_run, with_rising_time
    from tuning.logs import Log, read_log, write_log
    from tuning.loop import Cycle, IdlePoint, idle_point, resting_deadband_rpm, tread_steps
    from tuning.measures import CANNOT_TELL, HUNTS, MEASURES, Measures, START_TOLERANCE_rpm
    from tuning.measures import measure, measure_runs, races
    from tuning.notes import Note
    from tuning.open_loop import BaseProposal, LoggedBase, base_from_logs, base_from_model
    from tuning.prediction import Comparison, Expectation, Expected, compare, expect
    from tuning.search import Instead, Prediction, Reason, SoFar, Tuning, non_dominated, to_entry, tune
    from tuning.starts import Phase, StartStory, WATCHED_s, lost_in, start_story
    from tuning.stress_tests import Case, Stress, is_fitted, not_fitted, stress, stress_limits
    # isort: on

_HOMES = {
    "notes": ("Note",),
    "logs": ("Log", "read_log", "write_log"),
    "measures": ("CANNOT_TELL", "HUNTS", "MEASURES", "Measures", "START_TOLERANCE_rpm", "measure",
        "measure_runs", "races"),
    "log_events": ("Segment", "read_run", "with_rising_time"),
    "loop": ("Cycle", "IdlePoint", "idle_point", "resting_deadband_rpm", "tread_steps"),
    "starts": ("Phase", "StartStory", "WATCHED_s", "lost_in", "start_story"),
    "checks": ("Check", "Spot", "base_error_steps", "base_spots", "check"),
    "open_loop": ("BaseProposal", "LoggedBase", "base_from_logs", "base_from_model"),
    "identification": ("Curve", "Fit", "Fitted", "fit", "recording_plan"),
    "diagnosis": ("Diagnosis", "diagnose"),
    "explanation": ("Explanation", "StartChance", "HuntingMap", "Moment", "Story",
        "explain", "hunting_chance", "hunting_map", "what_ifs"),
    "stress_tests": ("Case", "Stress", "is_fitted", "not_fitted", "stress", "stress_limits"),
    "search": ("Instead", "Prediction", "Reason", "SoFar", "Tuning", "non_dominated", "to_entry", "tune"),
    "prediction": ("Comparison", "Expectation", "Expected", "compare", "expect"),
}  # fmt: skip
"""Names by the package that they are loaded from when first asked for."""

__all__ = [
    "CANNOT_TELL", "HUNTS", "MEASURES", "BaseProposal", "Case", "Check", "Comparison",
    "Curve", "Cycle", "Diagnosis", "Expectation", "Expected", "Explanation", "Fit", "Fitted", "HuntingMap",
    "IdlePoint", "Instead", "Log", "LoggedBase", "Measures", "Moment", "Note", "Phase", "Prediction",
    "Reason", "START_TOLERANCE_rpm", "Segment", "SoFar", "Spot", "StartChance",
    "StartStory", "Story", "Stress", "Tuning", "WATCHED_s", "base_error_steps", "base_from_logs",
    "base_from_model", "base_spots", "check", "compare", "diagnose", "expect", "explain",
    "fit", "hunting_chance", "hunting_map", "idle_point", "is_fitted", "lost_in", "measure", "measure_runs",
    "non_dominated", "not_fitted", "races", "read_log", "read_run", "recording_plan", "resting_deadband_rpm",
    "start_story", "stress", "stress_limits", "to_entry", "tread_steps", "tune", "what_ifs",
    "with_rising_time", "write_log",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    home = next((one for one, names in _HOMES.items() if name in names), None)
    if home is None:
        raise AttributeError(f"module 'tuning' has no attribute {name!r}")
    value = getattr(import_module(f"tuning.{home}"), name)
    globals()[name] = value
    return value
