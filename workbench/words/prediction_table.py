"""A comparison of predicted and recorded as a table."""

from __future__ import annotations

from collections.abc import Sequence

import tuning
from workbench.words.wording import in_words


def predicted_and_recorded(result: tuning.Comparison) -> Sequence[Sequence[str]]:
    """Table a comparison: measure, predicted, range, range with margins, recorded, verdict."""
    return [
        [
            in_words(row.meaning),
            f"{row.predicted:.3g} {row.unit}",
            f"{row.low:.3g} to {row.high:.3g}",
            f"{row.least:.3g} to {row.most:.3g}",
            f"{row.recorded:.3g}",
            "as predicted" if row.inside else "just outside" if row.agrees else "DIFFERS",
        ]
        for row in result.rows
    ]
