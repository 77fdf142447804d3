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

SENTENCES: Mapping[str, Sentence] = {
    **checks.SENTENCES,
    **diagnosis.SENTENCES,
    **explanation.SENTENCES,
    **fit.SENTENCES,
    **guide.SENTENCES,
    **hunting.SENTENCES,
    **open_loop.SENTENCES,
    **prediction.SENTENCES,
    **search_sentences.SENTENCES,
    **starts.SENTENCES,
    **stress.SENTENCES,
}
"""The sentence, or what makes it, of each code."""
