"""What a table of sentences holds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import tuning

Values = Mapping[str, Any]  # Quantities of a note, by their names.
Tell = Callable[[str | tuning.Note], str]
"""Gives the text of a template with the note's quantities filled in, or of a note within it."""
Sentence = str | Callable[[Values, Tell], str]
"""A template, or what makes the text where it depends on more than its quantities."""


def capital(text: str) -> str:
    """The text as a sentence begins."""
    return text[:1].upper() + text[1:]
