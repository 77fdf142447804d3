"""All sentences by the code of their note, gathered from the tables of the subjects."""

from __future__ import annotations

from collections.abc import Mapping

from workbench.words import checks, explanation, guide, hunting, open_loop, starts, stress
from workbench.words.wording import Sentence

SENTENCES: Mapping[str, Sentence] = {
    **checks.SENTENCES,
    **explanation.SENTENCES,
    **guide.SENTENCES,
    **hunting.SENTENCES,
    **open_loop.SENTENCES,
    **starts.SENTENCES,
    **stress.SENTENCES,
}
"""The sentence, or what makes it, of each code."""
