"""Report section on the stress matrix."""

from __future__ import annotations

from typing import TYPE_CHECKING

from workbench.report import Picture, Section

if TYPE_CHECKING:
    from tuning.stress import Stress

WORST = 3


def stress_section(result: Stress) -> Section:
    """Tell how the settings stood up.

    Parameters
    ----------
    result : Stress
        From `tuning.stress`.

    Returns
    -------
    Section
        The cases that do not pass in words, the matrix and the worst runs as figures.
    """
    from workbench.figures_stress import matrix_figure, stress_finding, worst_figure

    broken = [case.line for case in result.cases if case.verdict != "pass"]
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
    return Section("The stress matrix", text, broken, (), pictures)
