"""Ctrl-C is held back while something is written, and let through during an evaluation."""

from __future__ import annotations

import signal
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import pytest

from tuning.studies.studies import Progress, open_study, run_search
from tuning.studies.study import Study

if TYPE_CHECKING:
    import optuna


@pytest.fixture(autouse=True)
def _as_in_a_command() -> Iterator[None]:
    """Let SIGINT raise KeyboardInterrupt, whatever the test runner has set."""
    outer = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, outer)


@pytest.fixture
def study() -> Study:
    return open_study(None, "any", seed=1, sampler="random")


def ask_space(trial: optuna.Trial) -> float:
    return trial.suggest_float("x", 0.0, 1.0)


def evaluate(candidates: Sequence[float]) -> list[float]:
    return list(candidates)


def control_c() -> None:
    signal.raise_signal(signal.SIGINT)


def states(study: Study) -> list[str]:
    return [trial.state.name for trial in study.optuna_study.trials]


def test_in_an_evaluation_it_breaks_the_batch_off(study: Study) -> None:
    reached = []

    def stopped(candidates: Sequence[float]) -> list[float]:
        control_c()
        reached.append(candidates)
        return list(candidates)

    with pytest.raises(KeyboardInterrupt):
        run_search(study, ask_space, stopped, n_trials=20, batch=2)
    assert reached == []
    assert states(study) == ["FAIL"] * 2 + ["WAITING"] * 2


def test_while_a_batch_is_asked_for_it_waits_until_all_is_written(study: Study) -> None:
    def stopped(trial: optuna.Trial) -> float:
        if trial.number == 1:
            control_c()
        return ask_space(trial)

    with pytest.raises(KeyboardInterrupt):
        run_search(study, stopped, evaluate, n_trials=20, batch=3)
    assert states(study) == ["FAIL"] * 3 + ["WAITING"] * 3


def test_while_outcomes_are_told_it_waits_until_all_are_told(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    tell = study.storage.set_trial_state_values
    calls = []

    def stopped(*arguments: object) -> bool:
        calls.append(arguments)
        if len(calls) == 2:
            control_c()
        return tell(*arguments)  # type: ignore[arg-type] # passed on as they are

    monkeypatch.setattr(study.storage, "set_trial_state_values", stopped)
    with pytest.raises(KeyboardInterrupt):
        run_search(study, ask_space, evaluate, n_trials=20, batch=4)
    assert states(study) == ["COMPLETE"] * 4


def test_after_the_last_batch_it_still_ends_the_command(study: Study) -> None:
    def stopped(progress: Progress) -> None:
        if progress.finished == progress.wanted:
            control_c()

    with pytest.raises(KeyboardInterrupt):
        run_search(study, ask_space, evaluate, n_trials=4, on_progress=stopped)
    assert states(study) == ["COMPLETE"] * 4


def test_a_second_one_is_not_held_back(study: Study) -> None:
    told = []

    def stopped(progress: Progress) -> None:
        control_c()
        told.append(progress)
        control_c()
        told.append(progress)

    with pytest.raises(KeyboardInterrupt):
        run_search(study, ask_space, evaluate, n_trials=20, batch=4, on_progress=stopped)
    assert len(told) == 1
    assert states(study) == ["COMPLETE"] * 4


def test_the_handler_of_another_is_left_alone(study: Study) -> None:
    seen = []
    signal.signal(signal.SIGINT, lambda number, _: seen.append(number))

    def stopped(candidates: Sequence[float]) -> list[float]:
        control_c()
        return list(candidates)

    assert run_search(study, ask_space, stopped, n_trials=4, batch=4) == 4
    assert seen == [signal.SIGINT]


def test_afterwards_it_raises_as_before(study: Study) -> None:
    run_search(study, ask_space, evaluate, n_trials=2)
    with pytest.raises(KeyboardInterrupt):
        control_c()
