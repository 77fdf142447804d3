"""A copy of the study in memory, in which trials are proposed before they are written down.

So a trial reaches the storage whole, in one write instead of one for each parameter.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import optuna
    from optuna.samplers import BaseSampler
    from optuna.trial import FrozenTrial

C = TypeVar("C")


class Sketch:
    """The study in memory."""

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
        for name, distribution in trial.distributions.items():
            if name not in mine.distributions:
                value = distribution.to_internal_repr(trial.params[name])
                self._storage.set_trial_param(place, name, value, distribution)
        for key, attr in trial.system_attrs.items():
            self._storage.set_trial_system_attr(place, key, attr)
        for key, attr in trial.user_attrs.items():
            self._storage.set_trial_user_attr(place, key, attr)
        self._storage.set_trial_state_values(place, trial.state, trial.values)
        self._open.discard(trial._trial_id)
