"""Log: a recorded log dropped in, what was recognised, what drives the idle, and the fit."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections import Counter
from functools import partial
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.page.guard import LARGEST_BYTES
from workbench.page.job_panel import JobPanel
from workbench.page.shown import heading, list_html, picture_html, plain_button

if TYPE_CHECKING:
    from workbench.page.frame import Page

DEMONSTRATIONS = {"hunting": "trials_hunting.csv", "a recording to fit": "trials_recording.csv"}
KIND_WORDS = {
    "hunting": "hunting", "load": "load", "step": "valve step", "steady": "steady",
    "driven": "throttle open", "start": "start", "idle": "idle", "off": "not running",
}  # fmt: skip
_NAMES = """
document.querySelectorAll('.q-uploader a, .q-uploader button, .q-uploader input').forEach(
  one => one.setAttribute('aria-label', 'choose a log'))
"""
"""Gives names to what the library leaves without, for those who hear the page."""


class LogTab:
    """The tab.

    Parameters
    ----------
    page : Page
        Where it is.
    """

    def __init__(self, page: Page) -> None:
        self.page, self.session, self.look = page, page.session, page.look

    def build(self) -> None:
        """Build it, with what was found before."""
        from nicegui import ui

        with ui.element("div").classes("halves"):
            with ui.element("section").classes("card"):
                self._choose()
            with ui.element("section").classes("card"):
                self._fit_part()
        self._read.show_found()
        self._fit.show_found()

    def _choose(self) -> None:
        from nicegui import ui

        heading("A recorded log")
        ui.upload(
            label=f"Drop a log here, or choose it with + (up to {LARGEST_BYTES // 1_000_000} MB)",
            auto_upload=True, max_file_size=LARGEST_BYTES - 100_000, max_files=1,
            on_upload=self._uploaded,
            on_rejected=self._rejected,
        ).props('flat bordered accept=".csv,.txt,.log,.tsv,.mf4"').style("width: 100%")  # fmt: skip
        ui.timer(0.3, lambda: ui.run_javascript(_NAMES), once=True)
        with ui.element("div").classes("line"):
            ui.label("or a demonstration:").classes("soft")
            for name, file in DEMONSTRATIONS.items():
                plain_button(name, partial(self._demonstration, file))
        self._columns = ui.input("columns by hand, if needed: rpm=Engine Speed, map=Pressure [kPa]")
        self._columns.props("dense").style("width: 100%")
        self._of_car = ui.checkbox("The log is of this car", value=True).props("dense")
        self._read = JobPanel(
            self.page, "log", "Read it", self._read_arguments, self._show_log, grace_s=1.5
        )
        self._read.build()
        self._verdict = ui.label().classes("big").props('role="status"')
        self._parts = ui.label().classes("soft")
        self._log_body = ui.html("", sanitize=False)

    def _fit_part(self) -> None:
        from nicegui import ui

        heading("The model fitted to it")
        ui.label(
            "Makes the model of this car answer as the logs read so far do, and says whether it"
            " may be trusted."
        ).classes("soft")
        self._used = ui.label(self._logs_text()).classes("soft")
        self._fit = JobPanel(
            self.page, "fit", "Fit the model", self._fit_arguments, self._show_fit, grace_s=1.5
        )
        self._fit.build()
        self._fit_verdict = ui.label().classes("big").props('role="status"')
        self._take = plain_button("Use the fitted engine", self._use)
        self._take.style("align-self: flex-start")
        self._take.set_visibility(False)
        self._fit_body = ui.html("", sanitize=False)

    def _logs_text(self) -> str:
        names = ", ".join(path.name for path in self.session.logs)
        return f"Logs: {names}" if names else "No log has been read yet."

    async def _uploaded(self, event: Any) -> None:
        path = self._place(event.file.name)
        await event.file.save(path)
        event.sender.reset()
        self._add(path)

    def _rejected(self) -> None:
        self._read.tell_problem(
            f"Refused: allowed is one file of csv, txt, log, tsv or mf4, up to"
            f" {LARGEST_BYTES // 1_000_000} MB."
        )

    def _demonstration(self, file: str) -> None:
        from sim.files import bundled_folder

        path = self._place(file)
        shutil.copyfile(bundled_folder() / "logs" / file, path)
        self._add(path)

    def _place(self, name: str) -> Path:
        """A place of our own for a file, whatever it is called."""
        if self.session.folder is None:
            self.session.folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        plain = re.sub(r"[^A-Za-z0-9._ -]", "_", Path(name).name)[-80:].lstrip(".") or "log.csv"
        return Path(self.session.folder.name) / plain

    def _add(self, path: Path) -> None:
        self.session.logs = [one for one in self.session.logs if one != path] + [path]
        self._used.set_text(self._logs_text())
        self._read.start()

    def _read_arguments(self) -> dict[str, Any] | None:
        if not self.session.logs:
            self._read.tell_problem("No log yet: drop one above.")
            return None
        return {
            "work": "workbench.page.work_log:log_work", "title": "Reading",
            "path": self.session.logs[-1], "columns": self._columns.value or "",
            "car": self.session.car if self._of_car.value else None,
        }  # fmt: skip

    def _fit_arguments(self) -> dict[str, Any] | None:
        if not self.session.logs:
            self._fit.tell_problem("No log yet: drop one on the left.")
            return None
        return {
            "work": "workbench.page.work_log:fit_work", "title": "Fitting",
            "paths": list(self.session.logs), "columns": self._columns.value or "",
            "car": self.session.car, "seed": self.session.seed,
        }  # fmt: skip

    def _show_log(self, found: dict[str, Any]) -> None:
        words, imperial = self.look.words, self.look.imperial
        self._verdict.set_text(words(found["verdict"]))
        self._verdict.classes(replace="big bad" if found["hunting"] else "big")
        counted = Counter(KIND_WORDS.get(kind, kind) for kind, _, _ in found["segments"])
        told = ", ".join(f"{count} x {kind}" for kind, count in counted.items())
        self._parts.set_text(f"{found['name']} is made of: {told}." if told else found["name"])
        self._log_body.set_content(
            picture_html(found["picture"][imperial], found["verdict"], 460)
            + "<h2>What drives the idle</h2>" + list_html([words(one) for one in found["lines"]])
            + "<h2>What was recognised</h2>"
            + list_html([words(one) for one in found["recognised"]])
        )  # fmt: skip

    def _show_fit(self, found: dict[str, Any]) -> None:
        words, imperial = self.look.words, self.look.imperial
        self._fit_verdict.set_text(words(found["verdict"]))
        self._fit_verdict.classes(replace="big good" if found["trusted"] else "big bad")
        self._take.set_visibility(True)
        pictures = ""
        for place, picture in enumerate(found["pictures"][imperial]):
            if place < len(found["told"]):  # each finding once, above what shows it
                pictures += f"<p><b>{escape(words(found['told'][place]))}</b></p>"
            pictures += picture_html(picture, found["told"][min(place, 1)], 460)
        self._fit_body.set_content(pictures + list_html([words(one) for one in found["lines"]]))

    def _use(self) -> None:
        found = self.session.found["fit"]
        fitted = found["car"]
        own = {"feedback": self.session.car.feedback, "curves": self.session.car.curves}
        self.session.car = fitted.model_copy(update=own)
        self.page.rebuild()
