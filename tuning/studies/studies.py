"""Studies that last: searches that survive Ctrl-C, kill and power cut, and can be shared.

Any number of processes join one by naming the same storage and study; nothing here knows engines.
"""

from __future__ import annotations

import json
import signal
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, TypeVar

from tuning.studies.storage import Place, open_storage, storage_errors, unusable
from tuning.studies.study import Outcome, Study
from tuning.studies.trial_queue import counts_as_finished
from tuning.studies.work import Work
from tuning.studies.workers import lease

if TYPE_CHECKING:
    import optuna

C = TypeVar("C")
EvaluateBatch = Callable[[Sequence[C]], Sequence[Outcome | float | None]]

_INPUTS = "inputs"


@dataclass(frozen=True)
class Progress:
    """How far a search has come.

    Attributes
    ----------
    finished, wanted, here : int
        Evaluated trials in the study, how many are wanted, and how many this call of `run_search` evaluated.
    """

    finished: int
    wanted: int
    here: int


def open_study(
    storage: str | Path | None, name: str, *, seed: int = 0, resume: bool = False,
    inputs: Mapping[str, object] | None = None, sampler: str = "tpe",
) -> Study:  # fmt: skip
    """Open a study, or make it.

    Parameters
    ----------
    storage, name, seed : str or Path or None, str, int
        As for ``open_storage``; name of the study within it, not empty; seed of the proposals, 0 or more.
    resume : bool
        Continue or join the study if it is there already. Without, such a study is an error.
    inputs : mapping, optional
        What the values depend on, in values that JSON can hold: a study is only joined with those it was made
        for.
    sampler : str
        ``tpe`` or ``random``.

    Returns
    -------
    Study
        To be closed, best by a `with` block.

    Raises
    ------
    InputError
        If the storage cannot be used, the study is there and `resume` is false, or it was made for other
        inputs.
    """
    import optuna

    optuna.logging.set_verbosity(optuna.logging.WARNING)
    if not name.strip():
        raise unusable(str(storage), "the name of a study must not be empty", "study")
    described = {"seed": seed, **(inputs or {})}
    made_for = json.loads(json.dumps(described))  # as it will be read back
    place = open_storage(storage)
    try:
        with storage_errors(place.shown):
            made = _make_or_join(place, name, made_for, resume)
            study_id = place.storage.get_study_id_from_name(name)
    except BaseException:
        place.close()
        raise
    return Study(made, place, study_id, seed, sampler)


def _make_or_join(place: Place, name: str, made_for: Mapping[str, Any], resume: bool) -> optuna.Study:
    """Make the study; if it is there already, see whether it may be joined."""
    import optuna
    from optuna.exceptions import DuplicatedStudyError

    try:
        study = optuna.create_study(storage=place.storage, study_name=name)
        study.set_user_attr(_INPUTS, made_for)
    except DuplicatedStudyError:
        study = optuna.load_study(study_name=name, storage=place.storage)
        _check_joinable(study, place.shown, made_for, resume)
    return study


def _check_joinable(study: optuna.Study, where: str, made_for: Mapping[str, Any], resume: bool) -> None:
    """Refuse a study that is there already and is not this one."""
    from optuna.study import StudyDirection

    if not resume:
        count = sum(counts_as_finished(trial) for trial in study.get_trials(deepcopy=False))
        raise unusable(
            where,
            f"a study named {study.study_name!r} is there already, with {count} finished trials; "
            "use --resume to continue or join it, or name another storage",
            "study",
        )
    held = study.user_attrs.get(_INPUTS)
    minimises = study.directions == [StudyDirection.MINIMIZE]
    if held is None and not study.trials and minimises:
        # Its maker died, or is just about to write the same.
        study.set_user_attr(_INPUTS, made_for)
        return
    held = held or {}
    differing = [key for key in {**held, **made_for} if held.get(key) != made_for.get(key)]
    if differing:
        told = "; ".join(
            f"{key} was {held.get(key, 'not given')}, is {made_for.get(key, 'not given')}"
            for key in differing
        )
        raise unusable(
            where,
            f"study {study.study_name!r} was made for other inputs ({told}); "
            "give the same inputs, or begin another storage",
            "study",
        )


def run_search(
    study: Study, ask_space: Callable[[optuna.Trial], C], evaluate_batch: EvaluateBatch[C], *,
    n_trials: int, batch: int = 8, start_points: Mapping[str, Mapping[str, Any]] | None = None,
    on_progress: Callable[[Progress], None] | None = None,
) -> int:  # fmt: skip
    """Search in batches until the study holds enough finished trials; give how many this call evaluated.

    One process alone gets the same trials for the same seed and batch, on any storage, in one go or resumed
    between batches. Each of several goes on until the *study* holds `n_trials`, and finishes the batch it has
    begun. Trials that a dead worker left are evaluated again under a new number, and never told twice. After
    Ctrl-C what was finished is kept, a batch broken off is queued again; a lost storage is an EvenidleError.

    Parameters
    ----------
    study, ask_space, evaluate_batch, n_trials, batch : Study, callable, callable, int, int
        From an optuna trial to the candidate; from candidates, so many in one call, to as many outcomes.
    start_points, on_progress : mapping, callable
        Name (user attribute ``start``) to parameters of what is evaluated first; told how far it has come.

    Returns
    -------
    int

    Raises
    ------
    ValueError
        If `batch` or `n_trials` is too small, or the outcomes are of a wrong number.
    """
    if batch < 1 or n_trials < 0:
        raise ValueError(f"batch must be 1 or more and n_trials 0 or more ({batch}, {n_trials})")
    work, interrupt, here = Work(study, ask_space), Interrupt(), 0
    with ExitStack() as stack:
        stack.enter_context(interrupt.held_back())
        with storage_errors(study.where):
            stack.enter_context(lease(study.storage, study.study_id, work.me))
        stack.enter_context(work.given_back_on_error())
        with storage_errors(study.where):
            work.queue.add_start_points(start_points or {})
        while True:
            interrupt.raise_if_asked()
            with storage_errors(study.where):
                trials = work.look()
            finished = sum(counts_as_finished(trial) for trial in trials)
            if here and on_progress is not None:
                on_progress(Progress(finished, n_trials, here))
            if finished >= n_trials:
                break
            with storage_errors(study.where):
                asked = work.ask(trials, min(batch, n_trials - finished))
            with interrupt.open():
                outcomes = evaluate_batch([one.candidate for one in asked])
            with storage_errors(study.where):
                here += work.tell(asked, outcomes)
    interrupt.raise_if_asked()
    return here


class Interrupt:
    """Holds the first Ctrl-C back while something is written; does nothing outside the main thread."""

    def __init__(self) -> None:
        self._asked = False
        self._outer: Any = None
        self._active = False

    def _hold_back(self, _number: int, _frame: FrameType | None) -> None:
        if self._asked:
            raise KeyboardInterrupt
        self._asked = True

    def raise_if_asked(self) -> None:
        """Raise the KeyboardInterrupt that was held back, if any."""
        if self._asked:
            raise KeyboardInterrupt

    @contextmanager
    def held_back(self) -> Iterator[Interrupt]:
        """Hold Ctrl-C back while the block runs; it is raised by `raise_if_asked` or `open`."""
        # A handler of somebody else's is not ours to replace.
        if (
            threading.current_thread() is not threading.main_thread()
            or signal.getsignal(signal.SIGINT) is not signal.default_int_handler
        ):
            yield self
            return
        self._outer = signal.signal(signal.SIGINT, self._hold_back)
        self._active = True
        try:
            yield self
        finally:
            self._active = False
            signal.signal(signal.SIGINT, self._outer)

    @contextmanager
    def open(self) -> Iterator[None]:
        """Let Ctrl-C through at once while the block runs."""
        self.raise_if_asked()
        if not self._active:
            yield
            return
        signal.signal(signal.SIGINT, self._outer)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, self._hold_back)
