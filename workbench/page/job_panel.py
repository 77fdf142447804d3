"""A button that starts a job, its progress, its end, and what it found; and what every tab has."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from workbench.page.frame import Page
from workbench.page.jobs import Job
from workbench.page.shown import alert, list_html, plain_button, status, ui, within

LOOK_EVERY_s = 0.25
GRACE_s = 1.5  # A job that keeps nothing when it is stopped is ended after this long [s].
STALE = "What follows is of the car as it was then; it has been changed since."
TAKEN = "The car has what was found."
Found = Callable[[dict[str, Any]], None]


class Tab:
    """What every tab has at hand."""

    def __init__(self, page: Page) -> None:
        self.page, self.session, self.look = page, page.session, page.look

    def asked(self, **more: object) -> dict[str, Any]:
        """What a job is asked: about the car as it is, and more."""
        return {"car": self.session.car, "seed": self.session.seed, **more}

    def listed(self, told: Iterable[Any]) -> str:
        """A list of sentences or notes, in the units shown."""
        return list_html([self.look.words(one) for one in told])

    def judge(self, where: Any, told: Any, css: str) -> None:
        """Say a finding, in the units shown and in the colour of its verdict."""
        where.set_text(self.look.words(told))
        where.classes(replace=css)


class JobPanel:
    """The button and its bar, of a job that runs already too; ``ask`` gives arguments and maybe a ``title``.

    Once what ``about`` gives is another, what was found is stale, or, if ``taken``, what the car has.
    """

    def __init__(
        self, tab: Tab, kind: str, button: str, title: str, work: str, on_result: Found,
        ask: Callable[[], dict[str, Any] | None] | None = None,
        *, on_more: Found | None = None, stop_text: str = "Stop", grace_s: float = GRACE_s,
        about: Callable[[], object] | None = None, taken: Callable[[], bool] | None = None,
    ) -> None:  # fmt: skip
        self._session, self._look = tab.session, tab.look
        self._kind, self._title, self._work = kind, title, work
        self._ask, self._on_result, self._on_more = ask or tab.asked, on_result, on_more
        self._about, self._taken = about or (lambda: tab.session.car), taken
        self._grace_s = grace_s
        self._seen, self._waits = -1, ""
        with within("line"):
            ui().button(button, on_click=self.start).props('dense padding="2px 12px"')
            stop = plain_button(stop_text, self._stop_it)
        self._bar = ui().linear_progress(value=0.0, show_value=False, size="8px")
        self._bar.props(f'aria-label="progress of: {button}"')
        self._state, self._problem, self._stale = status("soft"), alert(), status()
        self._running = (stop, self._bar, self._state)
        self._show_running(False)
        self._look.redraw.append(self.show_found)
        # Not before all of the tab is built: what a job has told may be shown anywhere in it.
        ui().timer(LOOK_EVERY_s, self._show_how_far)

    def start(self) -> None:
        """Start the job, unless another runs."""
        session, job = self._session, self._session.job
        if job is not None and session.busy:
            self._waits = f"{job.title} is still going on: wait for it, or stop it."
            self._problem.set_text(self._waits)
            return
        self._problem.set_text("")
        if job is not None and job.result is not None:
            session.take_in(job)  # nobody may have looked since it ended
        given = self._ask()
        if given is not None:
            title = str(given.pop("title", self._title))
            session.job = Job(self._kind, title, f"workbench.page.{self._work}", **given)
            session.job.about, session.job.grace_s = self._about(), self._grace_s
            self._seen = -1
            self._show_how_far()

    def tell_problem(self, text: str) -> None:
        """Say beside the button what is wrong."""
        self._problem.set_text(text)

    def show_found(self) -> None:
        """Show what a job of this kind found, as after a reload or a change of units."""
        found = self._session.found.get(self._kind)
        if found is not None:
            self._on_result(found)

    def _stop_it(self) -> None:
        job = self._mine()
        if job is not None and not job.ended:
            job.stop()

    def _mine(self) -> Job | None:
        job = self._session.job
        return job if job is not None and job.kind == self._kind else None

    def found_about(self) -> Any:
        """What the last result was asked about, None if there is none."""
        return self._session.found_of.get(self._kind)

    def _tell_stale(self) -> None:
        """Say whether what is shown is of the car as it is now."""
        there = self._kind in self._session.found
        taken = there and self._taken is not None and self._taken()
        stale = there and self._about() != self.found_about()
        self._stale.set_text(TAKEN if taken else STALE if stale else "")
        self._stale.classes(replace="good" if taken else "error")

    def _show_how_far(self) -> None:
        self._tell_stale()
        if self._problem.text == self._waits and not self._session.busy:
            self._problem.set_text("")
        job = self._mine()
        runs = job is not None and not job.ended
        self._show_running(runs)
        if job is None or job.version == self._seen:
            return
        self._seen = job.version
        self._bar.set_value(job.share)
        self._state.set_text(self._look.words(f"{job.title}: {100.0 * job.share:.0f} %, {job.text}"))
        if runs and job.more and self._on_more is not None:
            self._on_more(job.more)
        if job.ended:
            self._finish(job)

    def _show_running(self, runs: bool) -> None:
        for one in self._running:
            one.set_visibility(runs)

    def _finish(self, job: Job) -> None:
        if job.result is None:
            told = "Stopped." if job.problem == "stopped" else f"Not done: {job.problem}"
            self._problem.set_text(self._look.words(told))
            return
        self._session.take_in(job)
        self._tell_stale()
        self._on_result(job.result)
