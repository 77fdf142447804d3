"""``evenidle explain``: why it hunts, or why it does not."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import sim
import tuning
from workbench.commands.options import CarFile, Full, OutFolder, option
from workbench.output.printing import Screen
from workbench.output.results import FEW, made_folder, write_figures
from workbench.words import tables
from workbench.words.wording import in_words

IN_FULL = {"explanation.theory", "explanation.theory_alone", "explanation.two_ends"}
"""Lines of the verdict that add no remedy: told in full only."""
PROOF = {"as_is", "feedback", "suggested"}  # Rows that prove the first cause, beside its own.

TITLE = "With and without: combustion variation is in the two right columns only"


def explain(
    screen: Screen, seed: int, car: CarFile,
    rough: Annotated[bool, option("--rough", "Coarser maps and fewer places, in a few seconds.")] = False,
    out: OutFolder = None, full: Full = False,
) -> None:  # fmt: skip
    """Say why it hunts, or why it does not. With proof, margins, maps and one cycle told."""
    read = sim.load_car(car)
    if out is not None:
        made_folder(out)
    screen.warn_of_compiling()
    with screen.progress("explaining") as tell:
        result = tuning.explain(read, seed=seed, quick=rough, on_progress=tell)
    screen.caution(read)
    _tell(screen, result, full)
    from workbench.figures.explanation import explain_figures

    files = write_figures(screen, out, lambda: explain_figures(result))
    screen.say(_next(result, car))
    screen.finish({**result.to_dict(), "seed": seed, "files": files})


def _next(result: tuning.Explanation, car: str) -> str:
    """What to do about it."""
    if result.verdict[0].code in ("explanation.headline.races", "explanation.headline.not_feedback"):
        return f"next: mend what is named, then evenidle explain {car} again"
    calm = result.ablation.chance.text.code == "measures.does_not_hunt"
    return f"next: evenidle stress {car}" if calm else f"next: evenidle tune {car} --out tuned.toml"


def _tell(screen: Screen, result: tuning.Explanation, full: bool) -> None:
    first, *rest = result.verdict
    screen.verdict(first)
    for line in rest if full else [one for one in rest if one.code not in IN_FULL][: FEW - 1]:
        screen.say(line)
    shown = () if full else PROOF | {one.key for one in result.causes[:1]}
    _table(screen, TITLE, tables.with_and_without_table(result, shown))
    if full:
        _tell_all(screen, result)
    else:
        screen.say("... with --full: all causes, where it can hold, loop, limit cycle, maps, loads, a cycle")


def _tell_all(screen: Screen, result: tuning.Explanation) -> None:
    _table(screen, "Whether the valve can hold", tables.resolution_table(result))
    _table(screen, "The loop as it would be without steps, at six idles", tables.loop_table(result))
    _table(screen, "The limit cycle, predicted and simulated", tables.cycle_table(result))
    for one in result.maps:
        _table(screen, tables.map_title(one), tables.map_table(one))
    _table(screen, "Loads: the dip now, and the least that this valve allows", tables.bound_table(result))
    if result.story is not None:
        screen.say("One cycle, told:")
        for line in result.story.lines:
            screen.say(f"  {in_words(line)}")


def _table(screen: Screen, title: str, table: tables.Table | None) -> None:
    """Show a table with headings one word a line, for the table to fit a terminal."""
    if table is not None:
        name, *others = table.columns
        screen.table(title, replace(table, columns=(name, *(one.replace(" ", "\n") for one in others))))
