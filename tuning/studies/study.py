"""A study as it is held, and the outcomes that are written into it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tuning.studies.storage import Place
from tuning.studies.trial_queue import counts_as_finished

if TYPE_CHECKING:
    import optuna
    from optuna.storages import BaseStorage
    from optuna.trial import FrozenTrial


@dataclass(frozen=True)
class Study:
    """A study and the place it is kept in."""

    optuna_study: optuna.Study  # as optuna has it
    place: Place
    study_id: int  # its number in the storage
    seed: int  # of every proposal
    sampler: str  # ``random``, else a Parzen estimator

    def __enter__(self) -> Study:
        """Use the study in a `with` block, which closes it."""
        return self

    def __exit__(self, *error: object) -> None:
        """Close the study."""
        self.close()

    def close(self) -> None:
        """End the connections to the place it is kept in; what is kept stays."""
        self.place.close()

    @property
    def storage(self) -> BaseStorage:
        """The storage it is kept in."""
        return self.place.storage

    @property
    def where(self) -> str:
        """The place as it may be shown, without a password."""
        return self.place.shown

    @property
    def name(self) -> str:
        """Name of the study within its storage."""
        return self.optuna_study.study_name

    @property
    def finished(self) -> list[FrozenTrial]:
        """The evaluated trials by number, those found to have no value included."""
        trials = self.storage.get_all_trials(self.study_id, deepcopy=False)
        return [trial for trial in trials if counts_as_finished(trial)]


@dataclass(frozen=True)
class Outcome:
    """What the evaluation of one candidate gave."""

    value: float | None  # to be made small; None or NaN if there is none: finished, not tried again
    notes: Mapping[str, Any] = field(default_factory=dict)  # kept as user attribute ``notes``
