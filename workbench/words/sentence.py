"""What a table of sentences holds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import tuning

Tell = Callable[[str | tuning.Note], str]
"""Gives the text of a template with the note's quantities filled in, or of a note within it."""
Sentence = str | Callable[[Mapping[str, Any], Tell], str]
"""A template, or what makes the text where it depends on more than its quantities."""
