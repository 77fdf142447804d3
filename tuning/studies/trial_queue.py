"""Trials that wait for an evaluation: start points, and what dead workers left unfinished.

Of several with one key only the lowest number counts, so all may queue the same thing at once. A retry is
taken only after the trial it repeats was told FAIL, which no late answer can undo.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tuning.studies.workers import Watch, Worker

if TYPE_CHECKING:
    import optuna
    from optuna.storages import BaseStorage
    from optuna.trial import FrozenTrial

WORKER = "worker"
NO_VALUE = "no_value"
START = "start"
_CLAIM = "claim:"
_KEY = "queue_key"
_DEATHS = "deaths"
_RETRY = "retry:"

MOST_DEATHS = 5  # After so many workers that died over one trial it is given up; no source.


def counts_as_finished(trial: FrozenTrial) -> bool:
    """Tell whether a trial was evaluated: it has values, or was found to have none."""
    return trial.state.name == "COMPLETE" or (trial.state.name == "FAIL" and NO_VALUE in trial.user_attrs)


@dataclass(frozen=True)
class TrialQueue:
    """The queue of one study, as one worker sees it."""

    study: optuna.Study
    storage: BaseStorage
    study_id: int
    me: Worker
    watch: Watch

    def trials(self) -> list[FrozenTrial]:
        """Return all trials by number, as they stand in the storage now."""
        return self.storage.get_all_trials(self.study_id, deepcopy=False)

    def add_start_points(self, points: Mapping[str, Mapping[str, Any]]) -> None:
        """Queue the start points that the study does not hold yet."""
        held = {trial.user_attrs.get(_KEY) for trial in self.trials()}
        for name, params in points.items():
            plain = {key: _plain(value) for key, value in params.items()}
            text = json.dumps([name, plain], sort_keys=True)
            key = "start:" + hashlib.sha256(text.encode()).hexdigest()
            if key not in held:
                self.study.enqueue_trial(plain, user_attrs={_KEY: key, START: name})

    def retry_left_behind(self, trials: Sequence[FrozenTrial]) -> bool:
        """Queue again what workers that are gone left; to be called while this one evaluates nothing."""
        running = [trial for trial in trials if trial.state.name == "RUNNING"]
        if not running:
            return False
        attrs = self.storage.get_study_user_attrs(self.study_id)
        changed = False
        for trial in running:
            owners = _owners(trial)
            # No owner: another program's trial, of which nothing tells whether it is alive.
            if not owners:
                continue
            gone = all(one == self.me or self.watch.is_gone(one, attrs) for one in owners)
            # Read again: its worker may have finished it and left after the trials were read.
            if gone and self.storage.get_trial(trial._trial_id).state.name == "RUNNING":
                self.give_back(trial, trials, died=True)
                changed = True
        return changed

    def give_back(self, trial: FrozenTrial, trials: Sequence[FrozenTrial], *, died: bool) -> None:
        """Queue a copy of an unfinished trial, then tell the trial FAIL."""
        deaths = int(trial.user_attrs.get(_DEATHS, 0)) + died
        params = {**trial.system_attrs.get("fixed_params", {}), **trial.params}
        key = f"{_RETRY}{trial.number}"
        if deaths >= MOST_DEATHS:
            self._set_attr(trial, NO_VALUE, f"{deaths} workers died over it")
        elif params and all(other.user_attrs.get(_KEY) != key for other in trials):
            attrs = {_KEY: key, _DEATHS: deaths}
            if START in trial.user_attrs:
                attrs[START] = trial.user_attrs[START]
            plain = {name: _plain(value) for name, value in params.items()}
            self.study.enqueue_trial(plain, user_attrs=attrs)
        self._set_state(trial, "FAIL")

    def claim(self, trials: Sequence[FrozenTrial], most: int) -> list[FrozenTrial]:
        """Take waiting trials for this worker, which then run in its name; no other can take the same."""
        first: dict[str, int] = {}
        for trial in trials:
            if (key := trial.user_attrs.get(_KEY)) is not None:
                first.setdefault(key, trial.number)
        states = {trial.number: trial.state.name for trial in trials}
        claimed: list[FrozenTrial] = []
        for trial in trials:
            if trial.state.name != "WAITING" or len(claimed) >= most:
                continue
            key = trial.user_attrs.get(_KEY)
            repeated = states[int(key.removeprefix(_RETRY))] if key and key.startswith(_RETRY) else "FAIL"
            if repeated == "COMPLETE" or (key is not None and first[key] != trial.number):
                self._set_state(trial, "FAIL")  # superseded: it needs no evaluation
            elif repeated == "FAIL" and self._take(trial):
                claimed.append(self.storage.get_trial(trial._trial_id))
        return claimed

    def _take(self, trial: FrozenTrial) -> bool:
        """Make a waiting trial this worker's own, unless another was quicker."""
        # Each that wants it leaves its name first, so a worker that dies before the last step
        # leaves no running trial without one; only the one that got it writes itself as owner.
        mine = self.me.to_dict()
        return (
            self._set_attr(trial, _CLAIM + self.me.key, mine)
            and self._set_state(trial, "RUNNING")
            and self._set_attr(trial, WORKER, mine)
        )

    def _set_attr(self, trial: FrozenTrial, key: str, value: object) -> bool:
        from optuna.exceptions import UpdateFinishedTrialError

        try:
            self.storage.set_trial_user_attr(trial._trial_id, key, value)
        except UpdateFinishedTrialError:
            return False
        return True

    def _set_state(self, trial: FrozenTrial, state: str) -> bool:
        from optuna.exceptions import UpdateFinishedTrialError
        from optuna.trial import TrialState

        try:
            return self.storage.set_trial_state_values(trial._trial_id, TrialState[state])
        except UpdateFinishedTrialError:
            return False


def _owners(trial: FrozenTrial) -> list[Worker]:
    """Return the worker of a trial, or all that wanted it where none has become its owner yet."""
    attrs = trial.user_attrs
    claims = [attr for key, attr in attrs.items() if key.startswith(_CLAIM)]
    names = [attrs.get(WORKER)] if WORKER in attrs else claims
    return [worker for name in names if (worker := Worker.from_dict(name)) is not None]


def _plain(value: Any) -> Any:
    """Return a numpy scalar as the Python number it holds; JSON knows no other."""
    return value.item() if hasattr(value, "item") else value
