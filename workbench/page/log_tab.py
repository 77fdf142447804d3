"""Log: a recorded log dropped in, what was recognised, what drives the idle, and the fit."""

from __future__ import annotations

import shutil
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

import sim
from workbench.output.results import columns_from_text
from workbench.page import shown
from workbench.page.guard import LARGEST_BYTES
from workbench.page.job_panel import JobPanel, Tab
from workbench.page.log_chart import LogChart
from workbench.page.shown import ui

UP_TO = f"up to {LARGEST_BYTES // 1_000_000} MB"
DEMONSTRATIONS = {"hunting": "trials_hunting.csv", "a recording to fit": "trials_recording.csv"}
DEMONSTRATION_CAR = "trials"  # The car that the demonstrations are logs of.
DEMONSTRATION_FOLDER = "demonstration"
"""Where they lie, apart from logs of the owner's own, which may bear the same names."""
COLUMNS_HELP = (
    "For each signal its name, an equals sign and the log's column; a comma before the next."
    " For example: rpm=Engine Speed, map=Pressure [kPa]"
)
_NAMES = """
document.querySelectorAll('.q-uploader a, .q-uploader button, .q-uploader input').forEach(
  one => one.setAttribute('aria-label', 'choose a log'))
"""
"""Gives names to what the library leaves without, for those who hear the page."""


class LogTab(Tab):
    """The tab."""

    def build(self) -> None:
        """Build it, with what was found before."""
        self._newest: Path | None = None  # dropped last, whether it could be read or not
        shown.cautions()
        with shown.within("log"):
            with ui().element("div").style("display: grid; gap: 10px"):
                with shown.card():
                    self._choose()
                with shown.card():
                    self._fit_part()
            with shown.card():
                self._found_part()
        self._read.show_found()
        self._fit.show_found()

    def _choose(self) -> None:
        shown.heading("A recorded log")
        ui().upload(
            label=f"Drop a log here, or choose it with + ({UP_TO})",
            auto_upload=True, max_file_size=LARGEST_BYTES - 100_000, max_files=1,
            on_upload=self._uploaded, on_rejected=self._rejected,
        ).props('flat bordered accept=".csv,.txt,.log,.tsv,.mf4"').style("width: 100%")  # fmt: skip
        ui().timer(0.3, lambda: ui().run_javascript(_NAMES), once=True)
        with shown.within("line"):
            shown.words("or a demonstration:", "soft")
            for name, file in DEMONSTRATIONS.items():
                shown.plain_button(name, partial(self._demonstration, file))
        self._columns = ui().input("Columns by hand, if needed").props("dense").style("width: 100%")
        shown.words(COLUMNS_HELP, "soft")
        self._of_car = ui().checkbox("The log is of this car", value=True).props("dense")
        self._read = JobPanel(
            self, "log", "Read it", "Reading", "work_log:log_work", self._show_log,
            self._read_arguments, about=self._judged_with,
        )  # fmt: skip

    def _found_part(self) -> None:
        shown.heading("What is in it")
        self._parts = shown.words("", "soft told kept")
        self._verdict = shown.status("big")
        self._chart = LogChart(self.look)
        self._log_body = shown.html()

    def _fit_part(self) -> None:
        shown.heading(
            "The model fitted to it",
            "Makes the model of this car answer as the logs read so far do, and says whether it may be"
            " trusted.",
        )
        self._kept = ui().element("div").style("display: grid; gap: 4px")
        self._list_logs()
        self._fit = JobPanel(
            self, "fit", "Fit the model", "Fitting", "work_log:fit_work", self._show_fit,
            self._fit_arguments, taken=lambda: self.session.car == self._fitted(),
        )  # fmt: skip
        self._fit_verdict = shown.status("big")
        self._take = shown.hidden_button("Use the fitted engine", self._use)
        self._fit_body = shown.html()

    def _list_logs(self) -> None:
        self._kept.clear()
        with self._kept:
            if not self.session.logs:
                shown.words("No log has been read yet.", "soft")
            for path in self.session.logs:
                told = f"{path.name}, {self._whose(path)}" if self._whose(path) else path.name
                with shown.within("line"):
                    shown.words(told, "kept")
                    remove = shown.plain_button("Remove", partial(self._remove, path))
                    remove.props["aria-label"] = f"Remove {path.name}"

    def _whose(self, path: Path) -> str:
        """Whose a log is, if it is known not to be of the car that is open."""
        name = self.session.car.name
        if DEMONSTRATION_FOLDER not in path.parts[:-1] or name == DEMONSTRATION_CAR:
            return ""
        return f"of the demonstration car '{DEMONSTRATION_CAR}', not of '{name}'"

    def _remove(self, path: Path) -> None:
        session = self.session
        session.logs = [one for one in session.logs if one != path]
        self._newest = None if self._newest == path else self._newest
        if session.found.get("log", {}).get("path") == path:
            self._forget()
        self._fit.tell_problem("")  # it may have been about this log
        self._list_logs()

    def _forget(self) -> None:
        self._clear()
        job = self.session.job
        if job is not None and job.kind == "log" and job.ended:
            self.session.job = None

    def _clear(self) -> None:
        """Leave nothing below that was found in another log, or before this reading."""
        self.session.found.pop("log", None)
        self._parts.set_text("")
        self._verdict.set_text("")
        self._chart.show({})
        self._log_body.set_content("")

    async def _uploaded(self, event: Any) -> None:
        path = self.session.place_for(event.file.name)
        await event.file.save(path)
        if event.sender.is_deleted:
            return  # another car has been opened meanwhile
        event.sender.reset()
        self._add(path)

    def _rejected(self) -> None:
        self._read.tell_problem(f"Refused: allowed is one file of csv, txt, log, tsv or mf4, {UP_TO}.")

    def _demonstration(self, file: str) -> None:
        path = self.session.place_for(file, DEMONSTRATION_FOLDER)
        shutil.copyfile(sim.bundled_folder() / "logs" / file, path)
        self._add(path)

    def _add(self, path: Path) -> None:
        self._newest = path
        self._read.start()

    def _columns_given(self, panel: JobPanel) -> str | None:
        """Columns by hand; None, and said at a panel, if they are not understood."""
        text = (self._columns.value or "").strip()
        try:
            columns_from_text(text or None)
        except sim.InputError:
            panel.tell_problem(f'Columns by hand are not understood: "{text}".\n{COLUMNS_HELP}')
            return None
        return text

    def _read_arguments(self) -> dict[str, Any] | None:
        path = self._path_to_read()
        if path is None:
            self._read.tell_problem("No log yet: drop one above.")
            return None
        self._clear()
        columns, car = self._columns_given(self._read), self._held_against()
        asked = {"path": path, "columns": columns, "whose": self._whose(path), "car": car}
        return None if columns is None else {"title": f"Reading {path.name}", **asked}

    def _held_against(self) -> sim.Car | None:
        """The car that a log is judged with, if it is of the one that is open."""
        path = self._path_to_read()
        others = path is None or self._whose(path)
        return self.session.car if self._of_car.value and not others else None

    def _judged_with(self) -> sim.Car | None:
        """The car that a reading begun now, or the one shown, depends on."""
        read = self.session.found.get("log")
        if read is not None and self.session.found_of.get("log") is None:
            return None
        return self._held_against() if read is None else self.session.car

    def _path_to_read(self) -> Path | None:
        return self._newest or next(reversed(self.session.logs), None)

    def _fit_arguments(self) -> dict[str, Any] | None:
        if not self.session.logs:
            self._fit.tell_problem("No log yet: drop one above.")
            return None
        columns, paths = self._columns_given(self._fit), list(self.session.logs)
        return None if columns is None else self.asked(paths=paths, columns=columns)

    def _take_in(self, found: dict[str, Any]) -> None:
        """Keep a log that could be read among the logs, and no other; once for each reading."""
        if not found.pop("new", False):
            return
        self._newest = found["path"]
        others = [one for one in self.session.logs if one != self._newest]
        self.session.logs = others if "refused" in found else [*others, self._newest]
        self._fit.tell_problem("")

    def _show_log(self, found: dict[str, Any]) -> None:
        self._take_in(found)
        self._list_logs()
        if "refused" in found:
            self._forget()
            self._read.tell_problem(f"Not taken in: {found['refused']}")
            return
        told = f"{found['name']}: {found['made_of']}." if found["made_of"] else found["name"]
        if found["whose"]:
            told += f"\nIt is {found['whose']}: nothing here compares it with the car that is open."
        self._parts.set_text(told)
        self.judge(self._verdict, found["verdict"], "big bad" if found["hunting"] else "big")
        self._chart.show(found["chart"])
        self._log_body.set_content(
            f"<h2>What drives the idle</h2>{self.listed(found['lines'])}"
            f"<h2>What was recognised</h2>{self.listed(found['recognised'])}"
        )

    def _show_fit(self, found: dict[str, Any]) -> None:
        self.judge(self._fit_verdict, found["verdict"], "big good" if found["trusted"] else "big bad")
        self._take.set_visibility(True)
        told = self.look.words(found["told"])
        pictures = f"<p><b>{escape(told)}</b></p>"
        pictures += "".join(
            shown.picture_html(one, told, 460) for one in found["pictures"][self.look.imperial]
        )
        self._fit_body.set_content(pictures + self.listed(found["lines"]))

    def _fitted(self) -> sim.Car:
        """The fitted engine with the feedback and the curves that the car has now."""
        now, fitted = self.session.car, self.session.found["fit"]["car"]
        return fitted.model_copy(update={"feedback": now.feedback, "curves": now.curves})

    def _use(self) -> None:
        self.session.car = self._fitted()
        self.page.rebuild()
