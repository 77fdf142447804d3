"""``evenidle sheet``: the settings sheet and the plan for trying it on the car."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import sim
from workbench.commands.options import CarFile, option
from workbench.output.printing import Screen
from workbench.output.results import check_place
from workbench.sheet.making import FORMS, make_sheet, refuse_untrusted, write_sheet
from workbench.sheet.trial import MENDED_FIRST, hunting_caution
from workbench.sheet.writing import expected_note


def sheet(
    screen: Screen,
    seed: int,
    car: CarFile,
    out: Annotated[Path | None, option("--out FILE", "Ending in .html, .pdf, .csv or .json.")] = None,
    present: Annotated[
        str | None, option("--present CAR.toml", "Car with the settings to go back to.")
    ] = None,
    even_if_untrusted: Annotated[
        bool, option("--even-if-untrusted", "Also of a fit that is not to be trusted; it says so.")
    ] = False,
) -> None:
    """Write the settings sheet: what to enter, why, and how to try it."""
    if out is None and not screen.as_json:
        message = f"missing, allowed: a file ending in {', '.join(FORMS)}"
        raise sim.one_problem("--out", 1, "out", message)
    if out is not None and out.suffix.lower() not in FORMS:
        message = f'unknown form ("{out.suffix}"), allowed: {", ".join(FORMS)}'
        raise sim.one_problem(out, 1, "--out", message)
    read = sim.load_car(car)
    if not even_if_untrusted:
        refuse_untrusted(read, car)
    before = None if present is None else sim.load_car(present)
    check_place(out, car)
    screen.warn_of_compiling()
    with screen.progress("predicting") as tell:
        made = make_sheet(
            read, seed=seed, before=before, even_if_untrusted=even_if_untrusted, on_progress=tell
        )
    if out is not None:
        write_sheet(made, out)
    screen.caution(read)
    screen.say(expected_note(made))
    for head, text in hunting_caution(made.expected):
        screen.say(f"{head} {text}")
    screen.verdict(f"Sheet of {read.name} written: {out}. Read its cautions first.")
    after = f"log the try, then evenidle compare {car} LOG.csv"
    after = f"evenidle tune {car} --out tuned.toml" if made.steps[-1].do == MENDED_FIRST else after
    screen.say(f"next: {after if read.valve.travel_counted else 'count the travel of the valve'}")
    screen.finish({**made.to_dict(), "file": None if out is None else str(out)})
