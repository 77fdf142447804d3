"""What one worker does to a study in each batch: look, ask, tell."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Container, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

from tuning.studies.study import Outcome, Study
from tuning.studies.trial_queue import NO_VALUE, WORKER, TrialQueue
from tuning.studies.workers import Watch, Worker

if TYPE_CHECKING:
    import optuna
    from optuna.samplers import BaseSampler
    from optuna.storages import BaseStorage
    from optuna.trial import FrozenTrial

C = TypeVar("C")
NOTES = "notes"


def write_beyond(
    storage: BaseStorage, place: int, trial: FrozenTrial, known: Container[str], attrs: Container[str] = ()
) -> None:
    """Write into a trial what another has beyond the parameters and system attributes known."""
    for name, distribution in trial.distributions.items():
        if name not in known:
            value = distribution.to_internal_repr(trial.params[name])
            storage.set_trial_param(place, name, value, distribution)
    for key, attr in trial.user_attrs.items():
        storage.set_trial_user_attr(place, key, attr)
    for key, attr in trial.system_attrs.items():
        if key not in attrs:
            storage.set_trial_system_attr(place, key, attr)


class Sketch:
    """A copy of the study in memory, in which trials are proposed before they are written down.

    So a trial reaches the storage whole, in one write instead of one for each parameter.
    """

    def __init__(self) -> None:
        import optuna

        self._storage = optuna.storages.InMemoryStorage()
        self._study = optuna.create_study(storage=self._storage)
        self._study_id = self._storage.get_study_id_from_name(self._study.study_name)
        self._places: dict[int, int] = {}
        self._open: set[int] = set()

    def use(self, sampler: BaseSampler) -> None:
        """Propose with this sampler from now on."""
        self._study.sampler = sampler

    def follow(self, trials: Sequence[FrozenTrial]) -> None:
        """Bring the copy up to date."""
        for trial in trials:
            key = trial._trial_id
            if key in self._places:
                if key in self._open and trial.state.is_finished():
                    self._finish(trial)
            elif trial.state.name != "WAITING":
                self._places[key] = self._storage.create_new_trial(self._study_id, trial)
                if not trial.state.is_finished():
                    self._open.add(key)

    def propose(
        self, ask_space: Callable[[optuna.Trial], C], claimed: FrozenTrial | None = None
    ) -> tuple[C, FrozenTrial, int]:
        """Let the sampler propose one trial."""
        if claimed is not None:
            self._study.enqueue_trial(claimed.system_attrs.get("fixed_params", {}))
        trial = self._study.ask()
        candidate = ask_space(trial)
        return candidate, self._storage.get_trial(trial._trial_id), trial._trial_id

    def name(self, place: int, trial_id: int) -> None:
        """Note as which trial of the storage a proposed one was written down."""
        self._places[trial_id] = place
        self._open.add(trial_id)

    def _finish(self, trial: FrozenTrial) -> None:
        """Take over what a trial was told, and what its own worker wrote meanwhile."""
        place = self._places[trial._trial_id]
        mine = self._storage.get_trial(place)
        write_beyond(self._storage, place, trial, mine.distributions)
        self._storage.set_trial_state_values(place, trial.state, trial.values)
        self._open.discard(trial._trial_id)


@dataclass(frozen=True)
class Asked(Generic[C]):
    """A trial that runs in this worker's name, and the candidate it stands for."""

    trial_id: int
    candidate: C


class Work(Generic[C]):
    """What one call of `run_search` does to the study."""

    def __init__(self, study: Study, ask_space: Callable[[optuna.Trial], C]) -> None:
        self.me = Worker.here()
        self._study = study
        self._ask_space = ask_space
        self._watch = Watch()
        self.queue = TrialQueue(study.optuna_study, study.storage, study.study_id, self.me, self._watch)
        self._sketch = Sketch()
        self._shared = False

    def look(self) -> list[FrozenTrial]:
        """Return all trials, after what workers that are gone left has been queued again."""
        # Who else is there is asked first: what one that dies meanwhile wrote is then among the trials.
        attrs = self._study.storage.get_study_user_attrs(self._study.study_id)
        self._shared = bool(self._watch.others(self.me, attrs))
        trials = self.queue.trials()
        return self.queue.trials() if self.queue.retry_left_behind(trials) else trials

    def ask(self, trials: Sequence[FrozenTrial], count: int) -> list[Asked[C]]:
        """Take waiting trials, then propose new ones, `count` in all."""
        self._sketch.follow(trials)
        sampler = self._sampler(trials)
        self._sketch.use(sampler)
        self._study.optuna_study.sampler = sampler
        claimed = (self._ask_claimed(trial) for trial in self.queue.claim(trials, count))
        asked = [one for one in claimed if one is not None]
        return asked + [self._ask_new() for _ in range(count - len(asked))]

    def tell(self, asked: Sequence[Asked[C]], outcomes: Sequence[Outcome | float | None]) -> int:
        """Write the outcomes down and return how many were accepted."""
        if len(outcomes) != len(asked):
            raise ValueError(f"{len(asked)} candidates were given {len(outcomes)} outcomes")
        return sum(
            self._tell_one(one, outcome if isinstance(outcome, Outcome) else Outcome(outcome))
            for one, outcome in zip(asked, outcomes, strict=True)
        )

    @contextmanager
    def given_back_on_error(self) -> Iterator[None]:
        """Queue what this worker has not finished again if the block raises."""
        try:
            yield
        except BaseException:
            # Whatever raised is what the caller must see; what cannot be given back now is
            # found without a live worker later.
            with suppress(Exception):
                trials = self.queue.trials()
                for trial in trials:
                    owner = Worker.from_dict(trial.user_attrs.get(WORKER))
                    if trial.state.name == "RUNNING" and owner == self.me:
                        self.queue.give_back(trial, trials, died=False)
            raise

    def _sampler(self, trials: Sequence[FrozenTrial]) -> BaseSampler:
        """Return a sampler seeded by where the study stands, so that a resumed one goes on as if unbroken."""
        from numpy.random import SeedSequence
        from optuna import samplers

        entropy = [self._study.seed, sum(trial.state.name != "WAITING" for trial in trials)]
        if self._shared:
            entropy.append(int(self.me.key, 16))
        seed = int(SeedSequence(entropy).generate_state(1)[0])
        if self._study.sampler == "random":
            return samplers.RandomSampler(seed=seed)
        with warnings.catch_warnings():
            # optuna warns that grouping is experimental; its behaviour is pinned by our tests.
            warnings.simplefilter("ignore")
            return samplers.TPESampler(seed=seed, multivariate=True, group=True)

    def _ask_new(self) -> Asked[C]:
        """Propose a trial and write it down whole, with its worker, in one write."""
        from optuna.trial import TrialState, create_trial

        candidate, proposed, place = self._sketch.propose(self._ask_space)
        trial_id = self._study.storage.create_new_trial(
            self._study.study_id,
            create_trial(
                state=TrialState.RUNNING,
                params=proposed.params,
                distributions=proposed.distributions,
                user_attrs={**proposed.user_attrs, WORKER: self.me.to_dict()},
                system_attrs=proposed.system_attrs,
            ),
        )
        return self._asked(trial_id, candidate, place)

    def _ask_claimed(self, trial: FrozenTrial) -> Asked[C] | None:
        """Complete the parameters of a trial taken from the queue; None if it was taken back."""
        from optuna.exceptions import UpdateFinishedTrialError

        candidate, proposed, place = self._sketch.propose(self._ask_space, trial)
        try:
            write_beyond(self._study.storage, trial._trial_id, proposed, (), trial.system_attrs)
        except UpdateFinishedTrialError:
            return None
        return self._asked(trial._trial_id, candidate, place)

    def _asked(self, trial_id: int, candidate: C, place: int) -> Asked[C]:
        self._sketch.name(place, trial_id)
        return Asked(trial_id, candidate)

    def _tell_one(self, one: Asked[C], outcome: Outcome) -> bool:
        """Write one outcome down, unless the trial was taken for lost and queued again."""
        from optuna.exceptions import UpdateFinishedTrialError
        from optuna.trial import TrialState

        value = outcome.value
        values = None if value is None or math.isnan(value) else [float(value)]
        storage = self._study.storage
        try:
            if outcome.notes:
                storage.set_trial_user_attr(one.trial_id, NOTES, dict(outcome.notes))
            if values is None:
                storage.set_trial_user_attr(one.trial_id, NO_VALUE, "evaluated, without a value")
            state = TrialState.FAIL if values is None else TrialState.COMPLETE
            # Not `Study.tell`: it reads the trial before it writes, and another may tell between.
            return storage.set_trial_state_values(one.trial_id, state, values)
        except UpdateFinishedTrialError:
            return False
