"""What is found is told as a code with quantities; ``workbench.words`` makes sentences of it."""

from __future__ import annotations

from tuning.notes.note import Note, Told

__all__ = ["Note", "Told"]
