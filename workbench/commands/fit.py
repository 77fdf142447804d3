"""``evenidle fit``: the model fitted to recorded logs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import sim
import tuning
from workbench.commands.options import CarFile, Columns, Full, argument, option
from workbench.output.drawing import Figure
from workbench.output.printing import Screen
from workbench.output.results import check_place, read_logs, say_lines, write_figures
from workbench.words.cautions import caution_lines

IN_FULL = {
    "identification.number", "identification.number_not_told", "identification.moved",
    "identification.holds_predicted", "identification.worth", "identification.believed",
    "identification.right_way", "identification.position_kept",
}  # fmt: skip
"""Lines that say that all is well, or each number: told in full only."""
MOST_DRAWN = 6  # Stretches of idling that are drawn.


def fit(
    screen: Screen,
    seed: int,
    car: CarFile,
    logs: Annotated[list[Path] | None, argument("LOG.csv [LOG...]", "Recorded logs.")] = None,
    out: Annotated[Path | None, option("--out FITTED.toml", "Car file to write.")] = None,
    guide: Annotated[bool, option("--guide", "Say how to record a useful log, and fit nothing.")] = False,
    columns: Columns = None,
    figures: Annotated[Path | None, option("--figures DIR", "Folder for figures of the fit.")] = None,
    full: Full = False,
) -> None:
    """Fit the model to logs, and say whether to trust it."""
    read = sim.load_car(car)
    if guide:
        _guide(screen, read, car)
    if not logs:
        raise sim.one_problem("LOG", 1, "log", "missing, allowed: one log or more; see fit --guide")
    if out is None and not screen.as_json:
        raise sim.one_problem("--out", 1, "out", "missing, allowed: a car file to write")

    check_place(out, car, *logs)
    recorded = read_logs(screen, logs, columns, full, read)
    screen.warn_of_compiling()

    with screen.progress("fitting") as tell:
        result = tuning.fit(read, recorded, seed=seed, on_progress=tell)
    if out is not None:
        sim.save_car(result.car, out, keep_old=True, text_of=car)
    screen.caution()
    say_lines(screen, result, full, IN_FULL)
    if result.trusted:
        screen.basis(result.car)
    drawn = write_figures(screen, figures, lambda: _figures(result))
    if out is not None:
        more = any(one.code == "identification.hold_more" for one in result.reasons)
        logs_too = f"evenidle fit {car} {' '.join(map(str, logs))} HELD, a log of what is to be held"
        again = logs_too if more else f"evenidle fit {car} --guide"
        screen.say(f"written: {out}; next: {f'evenidle explain {out}' if result.trusted else again}")
    written = None if out is None else str(out)
    screen.finish({**result.to_dict(), "file": written, "files": drawn}, bad=not result.trusted)


def _figures(result: tuning.Fit) -> dict[str, Figure]:
    from workbench.figures.log import fit_figure

    return {f"fit-{n + 1}": fit_figure(result, n) for n in range(min(len(result.curves), MOST_DRAWN))}


def _guide(screen: Screen, car: sim.Car, name: str) -> None:
    """Print how to record a log that the fit can learn from, and end."""
    screen.warn_of_compiling()
    plan = tuning.recording_plan(car)
    lines: list[str | tuning.Note] = [*caution_lines(), *plan.lines()]
    for line in lines:
        screen.verdict(line)
    screen.say(f"next: record it, then evenidle fit {name} LOG.csv --out fitted.toml")
    screen.finish({**plan.to_dict(), "cautions": caution_lines()})
