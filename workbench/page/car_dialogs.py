"""Which car is open: the windows in which one is opened, and saved under a new name."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import sim
from workbench.page.car_file import Draft
from workbench.page.jobs import plain_problem
from workbench.page.session import Session, Sessions
from workbench.page.shown import alert, plain_button, words

MOST_DRAFTS = 8
WIDTH = "width: 320px; max-width: 80vw"


def _tried(act: Callable[[], None], dialog: Any, problem: Any, done: Callable[[], None]) -> None:
    try:
        act()
    except sim.InputError as error:
        problem.set_text(plain_problem(error))
        return
    dialog.close()
    done()


def _buttons(name: str, act: Callable[[], None], dialog: Any) -> None:
    from nicegui import ui

    with ui.row():
        ui.button(name, on_click=act)
        plain_button("Cancel", dialog.close)
    dialog.open()


def save_dialog(session: Session, saved: Callable[[], None]) -> None:
    """Ask for the name of a new file."""
    from nicegui import ui

    def save() -> None:
        name = (place.value or "").strip()
        if name:
            _tried(partial(session.save_as, name), dialog, problem, saved)
        else:
            problem.set_text("A name is needed, such as mycar.toml.")

    with ui.dialog() as dialog, ui.card():
        words("Save this car under a new name", "big")
        words("From then on 'Save' writes into that file.", "soft")
        place = ui.input("new file, such as mycar.toml").style(WIDTH)
        place.props("autofocus").on("keydown.enter", save)
        problem = alert()
        _buttons("Save", save, dialog)


def open_dialog(session: Session, sessions: Sessions, opened: Callable[[], None]) -> None:
    """Ask for another car."""
    from nicegui import ui

    def take(act: Callable[[], None]) -> None:
        _tried(act, dialog, problem, opened)

    def take_named() -> None:
        name = (place.value or "").strip()
        if name:
            take(partial(session.open, name))
        else:
            problem.set_text("A name is needed: a car file, such as cars/mycar.toml.")

    with ui.dialog() as dialog, ui.card():
        words("Open a car", "big")
        if session.changed:
            words("Changes that are not saved are lost.", "bad")
        words("Demonstration cars", "soft")
        with ui.row():
            for name in sim.bundled_cars():
                plain_button(name, partial(take, partial(session.open, name)))
        drafts = sessions.drafts()[:MOST_DRAFTS]
        if drafts:
            words("Changed, and not saved when the page was closed", "soft")
            with ui.row():
                for one in drafts:
                    plain_button(_told(one), partial(take, partial(sessions.take_up, session, one)))
        place = ui.input("or a car file on this machine").style(WIDTH)
        place.on("keydown.enter", take_named)
        words("No car file yet? In a terminal, 'evenidle new mycar.toml' asks for a few facts.", "soft")
        problem = alert()
        _buttons("Open", take_named, dialog)


def _told(draft: Draft) -> str:
    """A draft in words: what it is of, and when it was changed last."""
    when = datetime.fromtimestamp(draft.kept_s).strftime("%Y-%m-%d %H:%M")
    return f"{Path(draft.opened).stem}, {when}"
