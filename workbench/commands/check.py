"""``evenidle check``: what can be checked without running the engine on the car."""

from __future__ import annotations

import sim
import tuning
from workbench.commands.options import CarFile, Full
from workbench.output.printing import SIGNS, Screen
from workbench.words.tables import Table
from workbench.words.wording import in_words


def check(screen: Screen, car: CarFile, full: Full = False) -> None:
    """Check valve, homing, timing, room to move and curves; no engine is run on the car."""
    read = sim.load_car(car)
    screen.warn_of_compiling()
    result = tuning.check(read)
    remedies = [line for line in result.lines if line.verdict != "pass"]
    shown = result.lines if full else remedies
    rows = [[SIGNS[one.verdict], *map(in_words, (one.name, one.value))] for one in shown]
    if remedies or full:
        screen.caution()
    screen.basis(read)
    if rows:
        screen.table(f"Checks of {read.name}", Table(("", "what", "number"), rows))
    if not full:
        screen.say(f"{len(result.lines) - len(remedies)} more pass; all of them, and why, with --full.")
    if remedies:
        screen.say("What to do:")
    for line in remedies:
        why = f" ({in_words(line.reason)})" if full else ""
        screen.say(f"  {in_words(line.name)}: {in_words(line.remedy)}.{why}")
    failed = sum(line.verdict == "fail" for line in result.lines)
    warned = len(remedies) - failed
    kind = "fail" if failed else "warn" if warned else "pass"
    screen.verdict(
        f"{len(result.lines)} checks: {failed} failed, {warned} to look at, "
        f"{len(result.lines) - len(remedies)} passed.",
        kind,
    )
    screen.finish(result.to_dict(), bad=failed > 0)
