"""All sentences by the code of their note, gathered from the tables of the subjects."""

from __future__ import annotations

from collections.abc import Mapping

from workbench.words.wording import Sentence

SENTENCES: Mapping[str, Sentence] = {}
