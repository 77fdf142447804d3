"""One thing of the car changed at a time, and two versions of it side by side: seen before it is taken."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import sim
from workbench.page.beside import WORK
from workbench.page.frame import Page
from workbench.page.job_panel import Tab
from workbench.page.shown import card, heading, html, plain_button, table_html, within, words
from workbench.words.tables import Table, mark, number

HELD, SUGGESTED, BOTH = "feedback", "suggested", "both"
"""Keys of the valve held still, whose swing nothing takes away, of settings by rule, and of two changes."""
LEAST_percent = 25.0
COMPARED = {
    "hunting": ("runs that hunt", "%"), "swing": ("swing, peak to peak", "rpm"),
    "dip": ("dip after a load", "rpm"), "settling": ("settling after a load", "s"),
    "moves": ("moves of the valve", "a minute"),
}  # fmt: skip
"""What two versions are compared by, less being better; name and unit."""
Instead = Callable[[sim.Car | None, str], None]


def taken_percent(row: dict[str, Any], rows: list[dict[str, Any]]) -> float:
    """How much of 100 parts of the swing above the held valve's a change takes away; below 0 it adds [-]."""
    least = min(one["swing_rpm"] for one in rows if one["key"] in (HELD, rows[0]["key"]))
    above = max(rows[0]["swing_rpm"] - least, 1.0)
    return min(100.0 * (rows[0]["swing_rpm"] - row["swing_rpm"]) / above, 100.0)


def likely_cause(rows: list[dict[str, Any]]) -> str:
    """Say which single change takes most of the swing away, and so what causes it."""
    single = [one for one in rows[1:] if one["key"] not in (HELD, SUGGESTED, BOTH)]
    best = max(single, key=lambda one: taken_percent(one, rows), default=rows[0])
    taken = taken_percent(best, rows)
    if taken < LEAST_percent:
        return "No single change takes a quarter of the swing away."
    return f"Likely cause: with {best['name']} {taken:.0f} % of the swing above the held valve's is gone."


def bar_html(percent: float) -> str:
    """A bar of how much a change takes away, with the number in words."""
    told = f"takes away {percent:.0f} %" if percent >= 1.0 else "takes nothing away"
    told = f"adds {-percent:.0f} %" if percent <= -1.0 else told
    width = max(percent, 0.0)
    return f'<span class="bar"><i style="width: {width:.0f}%"></i></span><span class="soft">{told}</span>'


class WhatIfPanel(Tab):
    """A switch for each possible cause; what is chosen is drawn by ``instead``, taken by ``take``."""

    def __init__(self, page: Page, instead: Instead, take: Callable[..., None]) -> None:
        super().__init__(page)
        self._instead, self._take = instead, take
        self._rows: list[dict[str, Any]] = []
        self._chosen = ""
        with within("card"):
            heading(
                "What if ...?",
                "Switch one thing off: its idle is drawn, yours faded behind. Bar: how much it takes away of"
                " the swing above that with the valve held.",
            )
            self._place = within("what-ifs")

    def show(self, rows: list[dict[str, Any]]) -> None:
        """Show what can be switched off, nothing of it chosen."""
        self._rows, self._chosen = rows, ""
        self._build()

    def _build(self) -> None:
        self._place.clear()
        with self._place:
            for row in self._rows[1:]:
                on = row["key"] == self._chosen
                made = plain_button(
                    row["name"], partial(self._choose, row), f'aria-pressed="{str(on).lower()}"'
                )
                made.classes("on" if on else "")
                hunt = f"{row['swing_rpm']:.0f} rpm peak to peak, {row['hunting_percent']:.0f} % of runs hunt"
                html(f"{bar_html(taken_percent(row, self._rows))}<br>{hunt}")
                if row["key"] == SUGGESTED:
                    use = plain_button("Use these", partial(self._take, **row["car"].feedback.model_dump()))
                    use.on("mouseenter", partial(self._instead, row["car"], row["name"]))
                    use.on("mouseleave", partial(self._instead, None, ""))

    def _choose(self, row: dict[str, Any]) -> None:
        off = self._chosen == row["key"]
        self._chosen = "" if off else row["key"]
        self._instead(None if off else row["car"], "" if off else row["name"])
        self._build()


def compared(pinned: dict[str, float], now: dict[str, float]) -> Table:
    """Table both versions, the newer one marked where it is better or worse."""
    rows = [
        [name, *(number(one[key]) for one in (pinned, now)), unit, mark(pinned[key], now[key])]
        for key, (name, unit) in COMPARED.items()
    ]
    return Table(("warm idle, lamps and fan", "pinned", "now", "unit", ""), rows, " rr  ")


class VersionsPanel(Tab):
    """Settings pinned, drawn faded behind the present ones and compared with them."""

    def __init__(self, page: Page, changed: Callable[[], None]) -> None:
        super().__init__(page)
        self._changed = changed
        with card("versions"):
            heading("Compare two versions")
            with within("line"):
                plain_button("Pin these settings", partial(self._pin, True))
                self._off = plain_button("Unpin", partial(self._pin, False))
            self._note = words("Pin settings, then change them: both are compared here.", "soft")
            self._table = html()
        self._show()

    def _pin(self, on: bool) -> None:
        self.session.pinned = self.session.car if on else None
        self._show()
        self._changed()

    def _show(self) -> None:
        pinned = self.session.pinned is not None
        for one in (self._off, self._table):
            one.set_visibility(pinned)
        self._note.set_visibility(not pinned)

    async def refresh(self) -> None:
        """Compare what is pinned with what is there now."""
        pinned, car = self.session.pinned, self.session.car
        if pinned is not None:
            how = (self.session.wish, self.session.seed)
            rows = [await self.page.runs.slow.ask(WORK + "version", one, *how) for one in (pinned, car)]
            if not self._table.is_deleted:  # the page may have been left meanwhile
                self._table.set_content(table_html(compared(*rows)))
