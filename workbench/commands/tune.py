"""``evenidle tune``: a search for feedback settings."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import sim
import tuning
from workbench.commands.options import CarFile, Full, Law, option
from workbench.output.printing import Screen
from workbench.output.results import check_place
from workbench.words import search as search_words

FAVOUR = "Take another of the candidates tried: quiet, quick or wear, such as quick:2."


class Budget(StrEnum):
    """How long to search."""

    QUICK = "quick"
    NORMAL = "normal"
    DEEP = "deep"


def tune(
    screen: Screen,
    seed: int,
    car: CarFile,
    out: Annotated[Path | None, option("--out TUNED.toml", "Car file to write.")] = None,
    law: Law = None,
    budget: Annotated[Budget, option("--budget", "How long.")] = Budget.NORMAL,
    storage: Annotated[
        str | None, option("--storage URL", "Keep the study in this file or database.")
    ] = None,
    resume: Annotated[bool, option("--resume", "Go on with the study kept there.")] = False,
    preset: Annotated[
        str, option("--preset NAME", "What counts: balanced, quiet, quick or gentle.")
    ] = "balanced",
    favour: Annotated[list[str] | None, option("--favour NAME:FACTOR", FAVOUR)] = None,
    keep: Annotated[str, option("--keep NAME[,NAME...]", "Leave these settings as they are.")] = "",
    full: Full = False,
) -> None:
    """Search feedback settings; the base curve is left alone. Tried on variations of your car.

    Settings are rounded as the car file's [entry_form] says that the controller takes them (evenidle new asks
    for it); evenidle sheet then tells what to type.
    """
    if out is None and not screen.as_json:
        raise sim.one_problem("--out", 1, "out", "missing, allowed: a car file to write")
    read = sim.load_car(car)
    if resume:
        _refuse_nothing_to_resume(storage)
    check_place(out, car)
    screen.warn_of_compiling()

    with screen.progress("searching") as tell:
        result = tuning.tune(
            read, law=law, budget=budget.value, seed=seed, storage=storage, resume=resume,
            preset=preset, favour=favour or (), on_progress=tell,
            keep=[one.strip() for one in keep.split(",") if one.strip()],
        )  # fmt: skip
    if out is not None:
        sim.save_car(result.car, out, keep_old=True, text_of=car)
    screen.caution(read)
    _tell(screen, read, result, full)
    if out is not None:
        sheet = f"evenidle sheet {out} --present {car} --out sheet.pdf"
        screen.say(f"written: {out}; next: evenidle stress {out}, then {sheet}")
    screen.finish({**result.to_dict(), "file": None if out is None else str(out)})


def _tell(screen: Screen, before: sim.Car, result: tuning.Tuning, full: bool) -> None:
    changed = search_words.changed_table(before.feedback.model_dump(), result.settings.model_dump())
    if full:
        screen.table("Side by side", search_words.scored_table(result))
        screen.say(search_words.SCORED_LEGEND)
        screen.table("What it brings", search_words.compared_table(result.now, result.predicted))
        screen.table("Settings changed", changed)
    elif changed.rows:
        told = (f"{name} {now} -> {then} {unit}".rstrip() for name, now, then, unit in changed.rows)
        screen.say(f"Changed: {'; '.join(told)}.")
    for note in search_words.tune_notes(result, full):
        screen.say(note)
    if not full:
        rows = search_words.scored_table(result).rows
        scores = ", ".join(f"{row[0].removeprefix('> ')} {row[1]} ({row[-1]})" for row in rows)
        screen.say(f"Scores, lower is better (variations failing): {scores}. All, with reasons: --full.")
    screen.verdict(search_words.tune_finding(result))


def _refuse_nothing_to_resume(storage: str | None) -> None:
    """Refuse to resume where no study is kept, instead of beginning one anew unasked."""
    allowed = "allowed: the --storage of a study, or no --resume to begin one"
    if storage is None:
        raise sim.one_problem("--resume", 1, "storage", f"missing, {allowed}")
    path = storage.removeprefix("journal:").removeprefix("sqlite:///")
    if "://" not in path and not Path(path).is_file():
        raise sim.one_problem(path, 1, "storage", f"no study there to resume, {allowed}")
