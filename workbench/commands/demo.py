"""``evenidle demo``: the whole job on a bundled car and its bundled log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import controllers
import sim
from workbench.commands.options import Law, option
from workbench.output.printing import Screen
from workbench.output.results import made_folder


def demo(
    screen: Screen,
    seed: int,
    out: Annotated[Path, option("--out DIR", "Folder for everything it writes.")] = Path("evenidle-demo"),
    car: Annotated[str | None, option("--car CAR.toml", "Your own car, as evenidle new writes it.")] = None,
    log: Annotated[Path | None, option("--log LOG.csv", "A log of that car, to fit it to.")] = None,
    law: Law = None,
) -> None:
    """Do the whole job, on a bundled car or your own. It ends in sheet and report.

    Begun again with the same folder it goes on where the search was.
    """
    if log is not None and car is None:
        raise sim.one_problem("--log", 1, "log", "without a car, allowed: together with --car CAR.toml")
    searched = [name for name, one in controllers.LAWS.items() if one.searched]
    if law is not None and law not in searched:
        message = f"cannot be tuned ({law}), allowed: {', '.join(searched)}"
        raise sim.one_problem("--law", 1, "law", message)
    own = None if car is None else sim.load_car(car)
    made_folder(out)
    screen.warn_of_compiling()
    from workbench.commands.demo_job import run_demo

    screen.finish(run_demo(screen, out, seed, own, log, law))
