"""Sheet: the settings sheet, seen before it is printed or kept."""

from __future__ import annotations

import re
from functools import partial
from html import escape
from typing import Any

from workbench.page.job_panel import JobPanel, Tab
from workbench.page.shown import card, cautions, heading, html, plain_button, ui, within, words
from workbench.words.cautions import is_untrusted

FORMS = {
    "html": ("HTML", "text/html"), "pdf": ("PDF", "application/pdf"),
    "csv": ("CSV", "text/csv"), "json": ("JSON", "application/json"),
}  # fmt: skip
_PRINT = "document.getElementById('sheet-preview').contentWindow.print()"


class SheetTab(Tab):
    """The tab."""

    def build(self) -> None:
        """Build it, with what was found before."""
        cautions()
        with card():
            heading(
                "The settings sheet",
                "Every number with its entry and its reason, and the order in which to try it on the car."
                " CSV and JSON have the units of the car file.",
            )
            work = "work_start:sheet_work"
            forced = ui().checkbox("Even of a fit that is not to be trusted: the sheet says so")
            forced.set_visibility(is_untrusted(self.session.car))
            self._sheet = JobPanel(
                self, "sheet", "Make the sheet", "Making the sheet", work, self._show,
                lambda: self.asked(forced=forced.value),
            )  # fmt: skip
            with within("line") as self._after:
                plain_button("Print", lambda: ui().run_javascript(_PRINT))
                for form, (name, _) in FORMS.items():
                    plain_button(f"Download {name}", partial(self._download, form))
            self._after.set_visibility(False)
            self._note = words("", "soft")
            self._preview = html()
        self._sheet.show_found()

    def _show(self, found: dict[str, Any]) -> None:
        self._note.set_text(self.look.words(found["note"]))
        self._after.set_visibility(True)
        self._preview.set_content(
            '<iframe id="sheet-preview" title="the sheet" sandbox="allow-same-origin allow-modals"'
            ' style="width: 100%; height: 70vh; border: 1px solid #888; background: #fff"'
            f' srcdoc="{escape(found["html"][self.look.imperial], quote=True)}"></iframe>'
        )

    def _download(self, form: str) -> None:
        found = self.session.found["sheet"]
        stem = re.sub(r"[^A-Za-z0-9]+", "-", self._sheet.found_about().name).strip("-") or "car"
        content = found[form][self.look.imperial] if form in ("html", "pdf") else found[form]
        data = content if isinstance(content, bytes) else content.encode()
        ui().download.content(data, f"{stem}-sheet.{form}", FORMS[form][1])
