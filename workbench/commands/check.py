"""``evenidle check``: what can be checked without running the engine on the car."""

from __future__ import annotations

import sim
import tuning
from workbench.commands.options import CarFile, Full
from workbench.output.printing import SIGNS, Screen
from workbench.words.sentence import capital
from workbench.words.tables import Table
from workbench.words.wording import in_words

SHOWN = 3  # So many that are to be looked at are told without being asked, and all that fail.


def check(screen: Screen, car: CarFile, full: Full = False) -> None:
    """Check valve, homing, timing and curves; runs no engine."""
    read = sim.load_car(car)
    screen.warn_of_compiling()
    result = tuning.check(read)
    # Those that fail first.
    remedies = sorted((one for one in result.lines if one.verdict != "pass"), key=lambda one: one.verdict)
    failed = sum(one.verdict == "fail" for one in remedies)
    shown = remedies if full else remedies[: max(failed, SHOWN)]
    if remedies or full:
        screen.caution()
    screen.basis(read)
    if full:
        rows = [[SIGNS[one.verdict], *map(in_words, (one.name, one.value))] for one in result.lines]
        screen.table(f"Checks of {read.name}", Table(("", "what", "number"), rows))
    for one in shown:
        name, value, remedy, reason = map(in_words, (one.name, one.value, one.remedy, one.reason))
        told = f"{SIGNS[one.verdict]}  {name}: {value}. {capital(remedy)}."
        screen.say(f"{name}: {remedy}. ({reason})" if full else told)
    if left := [in_words(one.name) for one in remedies[len(shown) :]]:
        screen.say(f"{SIGNS['warn']}  also to look at, with --full: {'; '.join(left)}.")
    warned = len(remedies) - failed
    screen.verdict(
        f"{len(result.lines)} checks: {failed} failed, {warned} to look at, "
        f"{len(result.lines) - len(remedies)} passed{'' if full else ('; all, and why, with --full')}.",
        "fail" if failed else "warn" if warned else "pass",
    )
    screen.say(f"next: {'mend what fails, then evenidle check' if failed else 'evenidle explain'} {car}")
    screen.finish(result.to_dict(), bad=failed > 0)
