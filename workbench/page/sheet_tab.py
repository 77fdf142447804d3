"""Sheet: the settings sheet, seen before it is printed or kept."""

from __future__ import annotations

import re
from functools import partial
from html import escape
from typing import TYPE_CHECKING, Any

from workbench.page.job_panel import JobPanel
from workbench.page.shown import cautions, heading, plain_button

if TYPE_CHECKING:
    from workbench.page.frame import Page

FORMS = {
    "html": ("HTML", "text/html"),
    "pdf": ("PDF", "application/pdf"),
    "csv": ("CSV", "text/csv"),
    "json": ("JSON", "application/json"),
}
_PRINT = "document.getElementById('sheet-preview').contentWindow.print()"


class SheetTab:
    """The tab."""

    def __init__(self, page: Page) -> None:
        self.page, self.session, self.look = page, page.session, page.look

    def build(self) -> None:
        """Build it, with what was found before."""
        from nicegui import ui

        cautions()
        with ui.element("section").classes("card"):
            heading("The settings sheet")
            ui.label(
                "Every number with its entry and its reason, and the order in which to try it on"
                " the car. CSV and JSON have the units of the car file."
            ).classes("soft")
            self._sheet = JobPanel(
                self.page, "sheet", "Make the sheet", self._arguments, self._show, grace_s=1.5,
                about=lambda: self.session.car,
            )  # fmt: skip
            self._sheet.build()
            with ui.element("div").classes("line") as self._after:
                plain_button("Print", lambda: ui.run_javascript(_PRINT))
                for form, (name, _) in FORMS.items():
                    plain_button(f"Download {name}", partial(self._download, form))
            self._after.set_visibility(False)
            self._note = ui.label().classes("soft")
            self._preview = ui.html("", sanitize=False)
        self._sheet.show_found()

    def _arguments(self) -> dict[str, Any]:
        return {
            "work": "workbench.page.work_start:sheet_work", "title": "Making the sheet",
            "car": self.session.car, "seed": self.session.seed,
        }  # fmt: skip

    def _show(self, found: dict[str, Any]) -> None:
        self._note.set_text(self.look.words(found["note"]))
        self._after.set_visibility(True)
        self._preview.set_content(
            '<iframe id="sheet-preview" title="the sheet" sandbox="allow-same-origin allow-modals"'
            ' style="width: 100%; height: 70vh; border: 1px solid #888; background: #fff"'
            f' srcdoc="{escape(found["html"][self.look.imperial], quote=True)}"></iframe>'
        )

    def _download(self, form: str) -> None:
        from nicegui import ui

        found = self.session.found["sheet"]
        stem = re.sub(r"[^A-Za-z0-9]+", "-", self._sheet.found_about().name).strip("-") or "car"
        content = found[form][self.look.imperial] if form in ("html", "pdf") else found[form]
        data = content if isinstance(content, bytes) else content.encode()
        ui.download.content(data, f"{stem}-sheet.{form}", FORMS[form][1])
