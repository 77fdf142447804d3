"""Report section on the stress matrix."""

from __future__ import annotations

from typing import TYPE_CHECKING

import tuning
from workbench.figures.stress import matrix_figure, stress_finding, worst_figure
from workbench.report.report import Picture, Section
from workbench.words.tables import Table
from workbench.words.wording import in_words

if TYPE_CHECKING:
    from collections.abc import Sequence


WORST = 3
COLUMNS = ("deserves a look", "worst in", "value", "allowed", "on")


def stress_section(result: tuning.Stress) -> Section:
    """Tell how the settings stood up."""
    # A case that does not fit the car has no verdict to show.
    broken = [case for case in result.worst(len(result.cases)) if case.verdict != "pass"]
    worst = result.worst(WORST)
    named = ", ".join(case.name for case in worst)
    strained = [case for case in worst if case.verdict != "pass"]
    told = "go beyond a limit" if len(strained) == len(worst) else "come nearest to their limits"
    pictures = [
        Picture(stress_finding(result), matrix_figure(result)),
        Picture(f"The hardest cases {told}: {named}.", worst_figure(result, WORST)),
    ]
    text = (
        f"{result.runs} runs on {result.engines} cars that this one could be and that the search"
        " did not meet. Where something is broken (lost steps, a leak, a weak cylinder) only"
        " stalling and racing count as failing."
    )
    tables = [Table(COLUMNS, _rows(broken), "  rr ")] if broken else []
    return Section("The stress matrix", text, (), tables, pictures)


def _rows(cases: Sequence[tuning.Case]) -> list[list[str]]:
    rows = []
    for case in cases:
        one = case.decided_by
        side = "at least" if one.lower_is_worse else "at most"
        rows.append([
            case.name if case.verdict == "warn" else f"{case.name} (fails)", in_words(one.meaning),
            f"{one.value:.3g} {one.unit}", f"{side} {one.limit:.3g}", case.worst_car,
        ])  # fmt: skip
    return rows
