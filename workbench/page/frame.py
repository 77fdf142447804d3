"""The frame of the page: title, car, saving, units, light or dark, and the tabs."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from functools import partial
from typing import Any

import sim
from workbench.page.beside import Runs, worked
from workbench.page.car_dialogs import begin_card, open_dialog, save_dialog
from workbench.page.jobs import plain_problem
from workbench.page.look import CSS, Look
from workbench.page.new_car import new_dialog
from workbench.page.session import Session, Sessions
from workbench.page.shown import alert, hidden_button, html, plain_button, status, ui, within, words
from workbench.page.wish import Wish

KEEP_AFTER_s, FOLLOW_AFTER_s = 1.0, 0.4
"""Changes are kept, and shown by other pages, when nothing has been changed for this long [s]."""
JOB_EVERY_s = 0.5  # How often it is told what is going on [s].
DARK_MODES = {"auto": None, "light": False, "dark": True}
TABS = {
    "Explore": "explore:Explore", "Log": "log_tab:LogTab", "Find settings": "settings_tab:SettingsTab",
    "Cold start": "start_tab:StartTab", "Sheet": "sheet_tab:SheetTab",
}  # fmt: skip
"""Tabs and where each is built; loaded when it is first opened."""


def early_links() -> str:
    """Have the browser fetch the chart's scripts at once, not when the page's own have asked."""
    from nicegui import __version__, ui
    from nicegui.dependencies import esm_modules

    links = []
    _ = ui.echart  # loads it, and so registers its scripts
    for key, module in esm_modules.items():
        first = module.path / "index.js"
        if module.name != "nicegui-echart" or not first.is_file():
            continue
        asked = re.findall(r'from"\./([\w.-]+\.js)"', first.read_text(encoding="utf-8"))
        links += [
            f'<link rel="modulepreload" href="/_nicegui/{__version__}/esm/{key}/{name}">'
            for name in ("index.js", *asked)
        ]
    return "".join(links)


class Page:
    """What is on one tab of the browser."""

    def __init__(self, session: Session, runs: Runs, sessions: Sessions) -> None:
        self.session, self.runs, self.sessions = session, runs, sessions
        self.look = Look(dark=bool(session.dark), imperial=session.imperial)
        self._built: set[str] = set()
        self._settling: set[str] = set()
        self._shown: tuple[sim.Car, Wish] | None = None
        self._tab = session.tab
        self._places: dict[str, Any] = {}

    def build(self) -> None:
        """Build everything that is seen first; other tabs follow when they are opened."""
        ui().add_css(CSS)
        ui().add_head_html(early_links())
        self._dark = ui().dark_mode(self.session.dark)
        ui().colors(primary="#00569a", negative="#9a1c1c")
        with ui().element("header").classes("top"):
            self._head()
        begin_card(self.session, self._new, self._open, lambda: tabs.set_value("Log"))
        self._error = alert()
        self._again = hidden_button("Read it again", self._read_again)
        with within("line card running") as self._running:
            self._job = status("soft")
            plain_button("Stop it", self._stop_job)
        self._running.set_visibility(False)
        ui().timer(JOB_EVERY_s, self._tell_job)
        with ui().tabs(on_change=lambda e: self._opened(e.value)) as tabs:
            tabs.props('dense no-caps align="left" inline-label outside-arrows mobile-arrows')
            for name in TABS:
                ui().tab(name)
        with ui().element("div").style("width: 100%"):
            panels = ui().tab_panels(tabs, value=self.session.tab, animated=False)
            with panels.props("keep-alive").style("width: 100%"):
                self._places = {name: ui().tab_panel(name) for name in TABS}
        html('<a class="soft" href="/model" target="_blank">The model: its relations and their sources</a>')
        self._opened(self.session.tab)
        self.session.pages = [one for one in self.session.pages if not one.is_gone] + [self]
        ui().timer(0.05, self._ask_for_dark, once=True)

    def _head(self) -> None:
        session = self.session
        html("<h1>evenidle</h1>")
        self._name, self._state = words("", "big"), status("soft state")
        plain_button("Open a car", self._open)
        plain_button("New car", self._new)
        plain_button("Save", self._save)
        plain_button("Save as", self._save_as)
        plain_button("Undo", partial(self._step, -1))
        plain_button("Redo", partial(self._step, 1))
        plain_button("Back to saved", self._undo)
        ui().switch("°F, inHg", value=session.imperial, on_change=lambda e: self._units(e.value)).props(
            "dense"
        )
        now = next(name for name, value in DARK_MODES.items() if value is session.dark)
        ui().toggle(list(DARK_MODES), value=now, on_change=lambda e: self._mode(e.value)).props(
            'dense no-caps unelevated padding="2px 9px" aria-label="light or dark"'
        )
        self.tell_state()

    def tell_state(self) -> None:
        """Show which car it is and whether there is something to save."""
        car = self.session.car
        for label, text in ((self._name, car.name), (self._state, _state(self.session))):
            label.set_text(text)
            label.props["title"] = f"{text}. {car.car.note}"
        self._once_settled("keep", KEEP_AFTER_s, self._keep_draft)
        self._shown = self._now()
        for one in self.session.pages:
            if one is not self and not one.is_gone:
                one._once_settled("follow", FOLLOW_AFTER_s, one._follow)

    def tell_error(self, text: str) -> None:
        """Say what went wrong with the car's file, or by an empty text that nothing is any more."""
        self._error.set_text(text)
        file = self.session.file
        self._again.set_visibility(bool(text) and file is not None and file.changed_by_others)

    def _once_settled(self, name: str, after_s: float, act: Callable[[], object]) -> None:
        """Act once nothing has been changed for a moment."""
        from nicegui import background_tasks

        async def settle() -> None:
            seen = None
            while seen is not self.session.car:
                seen = self.session.car
                await asyncio.sleep(after_s)
            self._settling.discard(name)
            act()

        if name not in self._settling:
            self._settling.add(name)
            background_tasks.create(settle(), name=name)

    def _tell_job(self) -> None:
        """On every tab, what is going on."""
        job, busy = self.session.job, self.session.busy
        self._running.set_visibility(busy)
        if busy and job is not None:
            self._job.set_text(f"Going on: {job.title}, {100.0 * job.share:.0f} %")

    def _stop_job(self) -> None:
        if self.session.job is not None:
            self.session.job.stop()

    def _keep_draft(self) -> None:
        """Keep what nobody has saved, as a step too; an error that stands there, such as of saving, stays."""
        self.session.settle()
        try:
            self.sessions.keep_draft(self.session)
        except sim.InputError as error:
            self.tell_error(plain_problem(error))

    def _follow(self) -> None:
        if not self.is_gone and self._shown != self._now():
            self.build_anew()

    def _now(self) -> tuple[sim.Car, Wish]:
        return self.session.car, self.session.wish

    def _opened(self, name: str) -> None:
        self.session.tab = self._tab = name
        self._build_opened(name)

    def _build_opened(self, name: str) -> None:
        if name in self._built or name not in self._places:
            return
        self._built.add(name)
        with self._places[name]:
            worked(f"workbench.page.{TABS[name]}", self).build()

    def rebuild(self) -> None:
        """Build all tabs anew, as after another car was opened, wherever this work is shown."""
        for one in self.session.pages:
            if not one.is_gone:
                one.build_anew()

    @property
    def is_gone(self) -> bool:
        """Whether no browser shows this any more."""
        return bool(self._name.is_deleted)

    def build_anew(self) -> None:
        """Build what this page shows, and leave the rest until it is opened."""
        self._built = set()
        if not self.session.changed:
            self.tell_error("")  # it was about what is no longer
        self.look.redraw.clear()
        for place in self._places.values():
            place.clear()
        self._build_opened(self._tab)
        self.tell_state()

    async def _ask_for_dark(self) -> None:
        """Learn whether the system is dark, which only the browser knows."""
        if self.session.dark is not None:
            return
        asked = "return window.matchMedia('(prefers-color-scheme: dark)').matches"
        try:
            dark = bool(await ui().run_javascript(asked, timeout=5.0))
        except TimeoutError:
            return
        if self.session.dark is None:  # somebody may have chosen while the browser was asked
            self._darken(dark)

    def _darken(self, dark: bool) -> None:
        if dark != self.look.dark:
            self.look.dark = dark
            self.look.changed()

    async def _mode(self, name: str) -> None:
        chosen = self.session.dark = self._dark.value = DARK_MODES[name]
        if chosen is None:
            await self._ask_for_dark()
        else:
            self._darken(chosen)

    def _units(self, imperial: bool) -> None:
        self.session.imperial = self.look.imperial = imperial
        self.look.changed()

    def _try_to(self, act: Callable[[], Any]) -> bool:
        """Do something that may be refused, and say why it was."""
        try:
            act()
        except sim.InputError as error:
            self.tell_error(plain_problem(error))
            return False
        self._saved()
        return True

    def _save(self) -> None:
        if self.session.file is None:
            self._save_as()
        else:
            self._try_to(self.session.save)

    def _save_as(self) -> None:
        save_dialog(self.session, self._saved)

    def _saved(self) -> None:
        self.tell_error("")
        self.tell_state()

    def _open(self) -> None:
        open_dialog(self.session, self.sessions, self._opened_car)

    def _new(self) -> None:
        new_dialog(self.session, self.runs, self._opened_car)

    def _opened_car(self) -> None:
        self.tell_error("")
        self.rebuild()

    def _step(self, by: int) -> None:
        self.session.step(by)
        self.rebuild()

    def _undo(self) -> None:
        self.session.take_back()
        self.rebuild()

    def _read_again(self) -> None:
        """Take up the car as somebody else has left its file; its logs are still of it."""
        file, logs = self.session.file, self.session.logs
        if file is not None and self._try_to(partial(self.session.open, str(file.path))):
            self.session.logs = logs
            self.rebuild()


def _state(session: Session) -> str:
    """Which engine and whose car it is, and whether changes of it are kept."""
    file, engine = session.file, session.car.engine
    target_rpm = session.car.curves.target_rpm[-1][1]
    what = f"{engine.displacement_cm3:.0f} cm³, {engine.cylinders} cylinders, {target_rpm:.0f} rpm when warm"
    if file is None:
        kept = "changes not saved: 'Save as' keeps them" if session.changed else "no changes"
        whose = "a demonstration car" if session.name in sim.bundled_cars() else "read from your file"
        return f"{what}; {whose}; {kept}"
    if session.changed:
        return f"{what}; {file.path.name}; changes not saved: 'Save' writes them into it"
    if file.backup is None:
        return f"{what}; {file.path.name}; no changes"
    return f"{what}; {file.path.name}; saved, as it was before in {file.backup.name}"
