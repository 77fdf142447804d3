"""What is found, in words: notes as their sentences, results with their notes told."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from tuning.measures import HUNTS, Measures, run_answer
from tuning.notes import Note
from workbench.words.wording import in_words


def said(one: Any) -> Any:
    """The same with a sentence in the place of each note; a result's fields as attributes."""
    if isinstance(one, Note):
        return in_words(one)
    if isinstance(one, list | tuple):
        return [said(each) for each in one]
    if hasattr(one, "__dataclass_fields__"):
        return SimpleNamespace(**{name: said(getattr(one, name)) for name in one.__dataclass_fields__})
    return one


def is_hunting(measures: Measures, floor_rpm: float | None = None) -> bool:
    """Whether one run hunts, by the rule."""
    return run_answer(measures, floor_rpm) == HUNTS
