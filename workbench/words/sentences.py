"""All sentences by the code of their note, gathered from the tables of the subjects."""

from __future__ import annotations

from collections.abc import Mapping

from workbench.words import (
    checks,
    diagnosis,
    explanation,
    fit,
    guide,
    hunting,
    open_loop,
    prediction,
    search_sentences,
    starts,
    stress,
)
from workbench.words.sentence import Sentence

SUBJECTS = (
    checks, diagnosis, explanation, fit, guide, hunting, open_loop, prediction, search_sentences, starts,
    stress,
)  # fmt: skip
SENTENCES: Mapping[str, Sentence] = {
    code: one for subject in SUBJECTS for code, one in subject.SENTENCES.items()
}
"""The sentence, or what makes it, of each code."""
