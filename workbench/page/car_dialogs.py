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
from workbench.page.shown import alert, card, heading, plain_button, ui, within, words

MOST_DRAFTS, LARGEST_CAR_BYTES = 8, 1_000_000
Act = Callable[[], None]


def begin_card(session: Session, describe: Act, open_one: Act, read_log: Act) -> None:
    """Ways to begin, until one is taken or something has been changed."""
    if session.begun or session.file is not None or session.changed:
        return

    def begin(act: Act) -> None:
        session.begun = True
        with made.parent_slot:  # what is made now must outlive the card
            act()
        made.delete()

    with card("where to begin") as made:
        heading("Where to begin", "Below is an example: a demonstration car whose idle hunts.")
        with within("line"):
            ui().button("Describe my car", on_click=partial(begin, describe))
            plain_button("Open my car file", partial(begin, open_one))
            plain_button("Read a log", partial(begin, read_log))
            plain_button("Look at the example", partial(begin, lambda: None))


def save_dialog(session: Session, saved: Act) -> None:
    """Ask for the name of a new file."""
    title, label = "Save this car under a new name", "new file, such as mycar.toml"

    def told(_take: Callable[[Act], None]) -> None:
        words("From then on 'Save' writes into that file.", "soft")

    _ask(title, told, label, "Save", ", such as mycar.toml.", session.save_as, saved).props("autofocus")


def open_dialog(session: Session, sessions: Sessions, opened: Act) -> None:
    """Ask for another car."""

    def offered(take: Callable[[Act], None]) -> None:
        if session.changed:
            words("Changes that are not saved are lost.", "bad")
        words("Demonstration cars", "soft")
        with ui().row():
            for name in sim.bundled_cars():
                plain_button(name, partial(take, partial(session.open, name)))

        async def uploaded(event: Any) -> None:
            path = session.place_for(event.file.name)
            await event.file.save(path)
            event.sender.reset()
            take(partial(session.open_copy, path))

        words("Your own, dropped here (a copy: 'Save as' writes it into a file)", "soft")
        ui().upload(auto_upload=True, max_files=1, max_file_size=LARGEST_CAR_BYTES, on_upload=uploaded).props(
            'flat bordered accept=".toml" aria-label="drop a car file"'
        ).style("width: 320px; max-width: 80vw")
        drafts = sessions.drafts()[:MOST_DRAFTS]
        if drafts:
            words("Changed, and not saved when the page was closed", "soft")
            with ui().row():
                for one in drafts:
                    plain_button(_told(one), partial(take, partial(sessions.take_up, session, one)))

    label, such = "or a car file on this machine", ": a car file, such as cars/mycar.toml."
    note = "No car file yet? 'New car' asks for a few facts, as 'evenidle new mycar.toml' does in a terminal."
    _ask("Open a car", offered, label, "Open", such, session.open, opened, note)


def _ask(
    title: str, above: Callable[[Callable[[Act], None]], None], label: str, button: str, such: str,
    act: Callable[[str], None], done: Act, note: str = "",
) -> Any:  # fmt: skip
    """Open a window that asks for a name; what is ``above`` the field is given a way to be done instead."""

    def take(do: Act) -> None:
        try:
            do()
        except sim.InputError as error:
            problem.set_text(plain_problem(error))
            return
        dialog.close()
        done()

    def take_named() -> None:
        name = (place.value or "").strip()
        if name:
            take(partial(act, name))
        else:
            problem.set_text(f"A name is needed{such}")

    with ui().dialog() as dialog, ui().card():
        words(title, "big")
        above(take)
        place = ui().input(label).style("width: 320px; max-width: 80vw")
        place.on("keydown.enter", take_named)
        if note:
            words(note, "soft")
        problem = alert()
        with ui().row():
            ui().button(button, on_click=take_named)
            plain_button("Cancel", dialog.close)
    dialog.open()
    return place


def _told(draft: Draft) -> str:
    """A draft in words: what it is of, and when it was changed last."""
    when = datetime.fromtimestamp(draft.kept_s).strftime("%Y-%m-%d %H:%M")
    return f"{Path(draft.opened).stem}, {when}"
