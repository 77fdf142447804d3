"""The window in which an owner without a car file describes the car, as `evenidle new` asks for it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import Any

import sim
from workbench.page.beside import WORK, NoAnswerError, Runs
from workbench.page.session import Session
from workbench.page.shown import alert, cautions, choice, plain_button, status, ui, words
from workbench.words.facts import COUNTING, FACTS, checked

WIDE = "width: 100%"


def new_dialog(session: Session, runs: Runs, made: Callable[[], None]) -> None:
    """Ask for the facts of a car and for the file to make of them."""
    with ui().dialog() as dialog, ui().card().style("width: 720px; max-width: 90vw; gap: 2px"):
        words("Describe a new car", "big")
        words("What an owner cannot know is estimated, and the file says so.", "soft")
        cautions()
        words(COUNTING, "soft")
        fields = {key: _field(key) for key in FACTS}
        cooling = choice("Cooling", {"water": "by water", "air": "by air"}, "water")
        place = ui().input("file to make of it, such as mycar.toml").style(WIDE)
        so_far, problem = status("big"), alert().style("white-space: pre-line")

        def given() -> dict[str, str | None]:
            answers = {key: str(field.value or "").strip() or None for key, field in fields.items()}
            if answers["base"] == FACTS["base"].usual:
                answers["base"] = None  # left as it stood there, so it follows the travel
            return answers

        async def preview() -> None:
            with suppress(NoAnswerError):
                so_far.set_text(await runs.slow.ask(WORK + "described", given(), cooling.value))

        for field in (*fields.values(), cooling):
            field.on_value_change(preview)

        def make() -> None:
            try:
                session.describe((place.value or "").strip(), given(), cooling.value)
            except sim.InputError as error:
                problem.set_text("\n".join(f"{one.key}: {one.message}" for one in error.problems))
                return
            dialog.close()
            made()

        with ui().row():
            ui().button("Make the car file", on_click=make)
            plain_button("Cancel", dialog.close)
    dialog.open()


def _field(key: str) -> Any:
    """Where one fact is answered: the usual answer stands there, and a bad one is told at once."""
    fact = FACTS[key]
    usual = f"{fact.usual:g}" if isinstance(fact.usual, float) else fact.usual or ""
    words(fact.question, "soft").style(WIDE)
    made = ui().input(value=usual, validation=partial(_wrong, key)).style(WIDE)
    return made.props(f'dense debounce="500" aria-label="{fact.question}"')


def _wrong(key: str, answer: str | None) -> str | None:
    """What is wrong with an answer; nothing where it is one, or is left out."""
    try:
        if answer and answer.strip():
            checked(key, answer.strip())
    except sim.InputError as error:
        return "; ".join(one.message for one in error.problems)
    return None
