"""Which car is open: the windows in which one is opened, and saved under a new name."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import sim
from workbench.page.jobs import plain_problem
from workbench.page.shown import plain_button

if TYPE_CHECKING:
    from collections.abc import Callable

    from workbench.page.drafts import Draft
    from workbench.page.session import Session, Sessions

MOST_DRAFTS = 8
WIDTH = "width: 320px; max-width: 80vw"


class CarPage(Protocol):
    """What the windows need of the page behind them."""

    session: Session
    sessions: Sessions

    def tell_error(self, text: str) -> None:
        """Show a problem, none where empty."""
        ...

    def tell_state(self) -> None:
        """Show which car is open."""
        ...

    def rebuild(self) -> None:
        """Build the page anew for the car that is open now."""
        ...


def save_dialog(page: CarPage) -> None:
    """Ask for the name of a new file."""
    from nicegui import ui

    def save() -> None:
        name = (place.value or "").strip()
        if not name:
            problem.set_text("A name is needed, such as mycar.toml.")
            return
        try:
            page.session.save_as(name)
        except sim.InputError as error:
            problem.set_text(plain_problem(error))
            return
        dialog.close()
        page.tell_error("")
        page.tell_state()

    with ui.dialog() as dialog, ui.card():
        ui.label("Save this car under a new name").classes("big")
        ui.label("From then on 'Save' writes into that file.").classes("soft")
        place = ui.input("new file, such as mycar.toml").style(WIDTH)
        place.props("autofocus").on("keydown.enter", save)
        problem = ui.label().classes("error").props('role="alert"')
        with ui.row():
            ui.button("Save", on_click=save)
            plain_button("Cancel", dialog.close)
    dialog.open()


def open_dialog(page: CarPage) -> None:
    """Ask for another car."""
    from nicegui import ui

    def take(act: Callable[[], None]) -> None:
        try:
            act()
        except sim.InputError as error:
            problem.set_text(plain_problem(error))
            return
        dialog.close()
        page.tell_error("")
        page.rebuild()

    def take_named() -> None:
        name = (place.value or "").strip()
        if name:
            take(partial(page.session.open, name))
        else:
            problem.set_text("A name is needed: a car file, such as cars/mycar.toml.")

    with ui.dialog() as dialog, ui.card():
        ui.label("Open a car").classes("big")
        if page.session.changed:
            ui.label("Changes that are not saved are lost.").classes("bad")
        ui.label("Demonstration cars").classes("soft")
        with ui.row():
            for name in sim.bundled_cars():
                plain_button(name, partial(take, partial(page.session.open, name)))
        drafts = page.sessions.drafts()[:MOST_DRAFTS]
        if drafts:
            ui.label("Changed, and not saved when the page was closed").classes("soft")
            with ui.row():
                for one in drafts:
                    act = partial(page.sessions.take_up, page.session, one)
                    plain_button(_told(one), partial(take, act))
        place = ui.input("or a car file on this machine").style(WIDTH)
        place.on("keydown.enter", take_named)
        problem = ui.label().classes("error").props('role="alert"')
        with ui.row():
            ui.button("Open", on_click=take_named)
            plain_button("Cancel", dialog.close)
    dialog.open()


def _told(draft: Draft) -> str:
    """A draft in words: what it is of, and when it was changed last."""
    when = datetime.fromtimestamp(draft.kept_s).strftime("%Y-%m-%d %H:%M")
    return f"{Path(draft.opened).stem}, {when}"
