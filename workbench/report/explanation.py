"""Report section on why the idle hunts, or why it does not."""

from __future__ import annotations

import tuning
from workbench.figures.explanation import explain_figures
from workbench.report.report import Picture, Section
from workbench.words.explanation_tables import cycle_table, with_and_without_table
from workbench.words.wording import worded

READ = {
    "with_and_without": "Each bar is the same car with one thing changed; what ends the swing is its cause.",
    "cycle_told": "One period of the hunting, scatter taken out, and where the valve could hold.",
    "map_moves": "Each cell is the same car with another minimum move and deadband, run from many starting"
    " places; below the line theory finds places without a position to rest.",
    "map_gains": "Each cell is the same car with other gains: where the shade does not follow the line, it is"
    " the steps that hunt, not the gains.",
    "bound": "The dark part of each bar is the smallest dip this valve allows, opened at full speed from the"
    " moment of the load; the rest could be gained.",
}
"""How each figure is read."""


def explain_section(result: tuning.Explanation) -> Section:
    """Tell why it hunts, with the proof."""
    first, *rest = worded(result.verdict)
    tables = [with_and_without_table(result)]
    cycles = cycle_table(result)
    if cycles is not None:
        tables.append(cycles)
    drawn = explain_figures(result)
    pictures = [Picture(READ[name], drawn[name]) for name in READ if name in drawn]
    title = "Why it hunts" if result.hunts else "Why it does not hunt"
    return Section(title, first, rest, tables, pictures)
