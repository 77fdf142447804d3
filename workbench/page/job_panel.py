"""A button that starts a job, its progress, its end, and what it found."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from workbench.page.jobs import GRACE_s, Job
from workbench.page.shown import plain_button

if TYPE_CHECKING:
    from workbench.page.frame import Page

LOOK_EVERY_s = 0.25
STALE = "What follows is of the car as it was then; it has been changed since."
TAKEN = "The car has what was found."


class JobPanel:
    """The button and its bar.

    Parameters
    ----------
    page : Page
        Where it is; a page has one job at a time.
    kind : str
        Name by which results are kept.
    button : str
        Its text.
    arguments : callable
        Gives ``work``, ``title`` and the arguments of the work; None where there is nothing to do.
    on_result : callable
        Shows a result.
    on_more : callable, optional
        Shows what is told on the way.
    stop_text : str
        Text of the button that stops it.
    grace_s : float
        How long a stopped job may take to give what it has [s].
    about : callable, optional
        Gives what the work is about; once that is another than when it began, what was found is
        marked as stale. Left out, it never is.
    taken : callable, optional
        Tells whether the car has what was found, which is then said in place of that.
    """

    def __init__(
        self,
        page: Page,
        kind: str,
        button: str,
        arguments: Callable[[], dict[str, Any] | None],
        on_result: Callable[[Any], None],
        on_more: Callable[[dict[str, Any]], None] | None = None,
        stop_text: str = "Stop",
        grace_s: float = GRACE_s,
        about: Callable[[], object] | None = None,
        taken: Callable[[], bool] | None = None,
    ) -> None:
        self._page, self._kind, self._text = page, kind, button
        self._about, self._taken = about, taken
        self._arguments, self._on_result, self._on_more = arguments, on_result, on_more
        self._stop_text, self._grace_s = stop_text, grace_s
        self._seen = -1
        self._waits = ""

    def build(self) -> None:
        """Build it; a job that runs already is shown, as after a reload."""
        from nicegui import ui

        with ui.element("div").classes("line"):
            self._go = ui.button(self._text, on_click=self.start).props('dense padding="2px 12px"')
            self._stop = plain_button(self._stop_text, self._stop_it)
        self._bar = ui.linear_progress(value=0.0, show_value=False, size="8px")
        self._bar.props(f'aria-label="progress of: {self._text}"')
        self._state = ui.label().classes("soft").props('role="status"')
        self._problem = ui.label().classes("error").props('role="alert"')
        self._stale = ui.label().props('role="status"')
        self._show_running(False)
        self._page.look.redraw.append(self.show_found)
        # Not before all of the tab is built: what a job has told may be shown anywhere in it.
        ui.timer(LOOK_EVERY_s, self._look)

    def start(self) -> None:
        """Start the job, unless another runs."""
        session = self._page.session
        if session.job is not None and not session.job.ended:
            self._waits = f"{session.job.title} is still going on: wait for it, or stop it."
            self._problem.set_text(self._waits)
            return
        self._problem.set_text("")
        if session.job is not None and session.job.result is not None:
            session.take_in(session.job)  # nobody may have looked since it ended
        given = self._arguments()
        if given is not None:
            title, work = str(given.pop("title")), str(given.pop("work"))
            session.job = Job(self._kind, title, work, **given)
            session.job.about = None if self._about is None else self._about()
            self._seen = -1
            self._look()

    def tell_problem(self, text: str) -> None:
        """Say beside the button what is wrong."""
        self._problem.set_text(text)

    def show_found(self) -> None:
        """Show what a job of this kind found, as after a reload or a change of units."""
        found = self._page.session.found.get(self._kind)
        if found is not None:
            self._on_result(found)

    def _stop_it(self) -> None:
        job = self._mine()
        if job is not None and not job.ended:
            job.stop(self._grace_s)

    def _mine(self) -> Job | None:
        job = self._page.session.job
        return job if job is not None and job.kind == self._kind else None

    def found_about(self) -> Any:
        """What the last result was asked about, None if there is none."""
        return self._page.session.found_of.get(self._kind)

    def _tell_stale(self) -> None:
        """Say whether what is shown is of the car as it is now."""
        told, taken = "", False
        if self._about is not None and self._kind in self._page.session.found:
            taken = self._taken is not None and self._taken()
            if taken:
                told = TAKEN
            elif self._about() != self.found_about():
                told = STALE
        self._stale.set_text(told)
        self._stale.classes(replace="good" if taken else "error")

    def _look(self) -> None:
        """Show how far it is."""
        self._tell_stale()
        busy = self._page.session.job
        if self._waits and (busy is None or busy.ended):
            if self._problem.text == self._waits:
                self._problem.set_text("")
            self._waits = ""
        job = self._mine()
        runs = job is not None and not job.ended
        self._show_running(runs)
        if job is None or job.version == self._seen:
            return
        self._seen = job.version
        self._bar.set_value(job.share)
        self._state.set_text(self._page.look.words(f"{job.title}: {100.0 * job.share:.0f} %, {job.text}"))
        if runs and job.more and self._on_more is not None:
            self._on_more(job.more)
        if job.ended:
            self._finish(job)

    def _show_running(self, runs: bool) -> None:
        for one in (self._stop, self._bar, self._state):
            one.set_visibility(runs)

    def _finish(self, job: Job) -> None:
        if job.result is None:
            stopped = job.problem == "stopped"
            told = "Stopped." if stopped else f"Not done: {job.problem}"
            self._problem.set_text(self._page.look.words(told))
            return
        self._page.session.take_in(job)
        self._tell_stale()
        self._on_result(job.result)
