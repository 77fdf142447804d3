"""Trials that wait, trials left by workers that are gone, and who counts as gone."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tuning.studies.studies import open_study, run_search
from tuning.studies.study import Study
from tuning.studies.trial_queue import MOST_DEATHS, WORKER, TrialQueue
from tuning.studies.work import Work
from tuning.studies.workers import LEASE_PREFIX, Watch, Worker, lease

if TYPE_CHECKING:
    import optuna
    from optuna.trial import FrozenTrial


def ask_space(trial: optuna.Trial) -> tuple[float, float]:
    return trial.suggest_float("x", 0.0, 1.0), trial.suggest_float("y", 0.0, 1.0)


def evaluate(candidates: Sequence[tuple[float, float]]) -> list[float]:
    return [x + y for x, y in candidates]


def a_dead_worker() -> Worker:
    """A process of this machine that has ended."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return Worker(socket.gethostname(), process.pid, time.time(), "dead")


def queue_of(study: Study, worker: Worker | None = None, watch: Watch | None = None) -> TrialQueue:
    me = worker or Worker.here()
    return TrialQueue(study.optuna_study, study.storage, study.study_id, me, watch or Watch())


def left_running(study: Study, worker: Worker, **params: float) -> FrozenTrial:
    """A trial that runs in a worker's name."""
    from optuna.distributions import FloatDistribution
    from optuna.trial import TrialState, create_trial

    trial = create_trial(
        state=TrialState.RUNNING,
        params=params,
        distributions={name: FloatDistribution(0.0, 1.0) for name in params},
        user_attrs={WORKER: worker.to_dict()},
    )
    trial_id = study.storage.create_new_trial(study.study_id, trial)
    return study.storage.get_trial(trial_id)


def states(study: Study) -> list[str]:
    return [trial.state.name for trial in study.optuna_study.trials]


@pytest.fixture(params=["memory", "journal", "sqlite"])
def study(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Study]:
    storage = {"memory": None, "journal": f"{tmp_path}/s.journal", "sqlite": f"sqlite:///{tmp_path}/s.db"}[
        request.param
    ]
    with open_study(storage, "any", sampler="random") as opened:
        yield opened


def test_a_trial_of_a_dead_worker_is_told_fail_and_evaluated_again(study: Study) -> None:
    left_running(study, a_dead_worker(), x=0.25, y=0.5)
    run_search(study, ask_space, evaluate, n_trials=3, batch=2)
    assert states(study) == ["FAIL", "COMPLETE", "COMPLETE", "COMPLETE"]
    assert study.optuna_study.trials[1].params == {"x": 0.25, "y": 0.5}
    assert study.optuna_study.trials[1].value == 0.75


def test_a_trial_of_a_live_worker_is_left_alone(study: Study) -> None:
    left_running(study, Worker.here(), x=0.25, y=0.5)
    run_search(study, ask_space, evaluate, n_trials=2)
    assert states(study) == ["RUNNING", "COMPLETE", "COMPLETE"]


def test_a_trial_without_a_worker_is_left_alone(study: Study) -> None:
    study.optuna_study.ask()  # by another program
    run_search(study, ask_space, evaluate, n_trials=2)
    assert states(study) == ["RUNNING", "COMPLETE", "COMPLETE"]


def test_a_trial_in_my_own_name_that_i_do_not_evaluate_is_queued_again(study: Study) -> None:
    me = Worker.here()
    left_running(study, me, x=0.25, y=0.5)
    queue = queue_of(study, me)
    assert queue.retry_left_behind(queue.trials())
    assert states(study) == ["FAIL", "WAITING"]


def test_two_that_find_the_same_dead_worker_queue_its_trial_once(study: Study) -> None:
    left_running(study, a_dead_worker(), x=0.25, y=0.5)
    one, two = queue_of(study), queue_of(study)
    seen_by_one, seen_by_two = one.trials(), two.trials()
    one.retry_left_behind(seen_by_one)
    assert not two.retry_left_behind(seen_by_two)  # read before one acted, looked at again
    assert states(study) == ["FAIL", "WAITING"]
    two.give_back(seen_by_two[0], seen_by_two, died=True)  # both looked again before one acted
    assert states(study) == ["FAIL", "WAITING", "WAITING"]
    (claimed,) = one.claim(one.trials(), 5)
    assert claimed.number == 1
    assert two.claim(two.trials(), 5) == []
    assert states(study) == ["FAIL", "RUNNING", "FAIL"]


def test_a_trial_that_was_finished_since_is_not_queued_again(study: Study) -> None:
    from optuna.trial import TrialState

    left = left_running(study, a_dead_worker(), x=0.25, y=0.5)
    queue = queue_of(study)
    seen = queue.trials()
    study.storage.set_trial_state_values(left._trial_id, TrialState.COMPLETE, [0.5])
    assert not queue.retry_left_behind(seen)
    assert states(study) == ["COMPLETE"]


def test_a_retry_waits_until_its_trial_was_told_fail(study: Study) -> None:
    left = left_running(study, a_dead_worker(), x=0.25, y=0.5)
    queue = queue_of(study)
    # A worker that died between its two steps: the copy is there, the trial still runs.
    study.optuna_study.enqueue_trial({"x": 0.25, "y": 0.5}, user_attrs={"queue_key": "retry:0"})
    assert queue.claim(queue.trials(), 5) == []
    queue.retry_left_behind(queue.trials())
    assert states(study) == ["FAIL", "WAITING"]
    assert [trial.number for trial in queue.claim(queue.trials(), 5)] == [left.number + 1]


def test_a_retry_is_dropped_when_its_trial_was_told_after_all(study: Study) -> None:
    from optuna.trial import TrialState

    left = left_running(study, Worker.here(), x=0.25, y=0.5)
    study.optuna_study.enqueue_trial({"x": 0.25, "y": 0.5}, user_attrs={"queue_key": "retry:0"})
    study.storage.set_trial_state_values(left._trial_id, TrialState.COMPLETE, [0.75])
    queue = queue_of(study)
    assert queue.claim(queue.trials(), 5) == []
    assert states(study) == ["COMPLETE", "FAIL"]


def test_a_late_answer_is_not_accepted(study: Study) -> None:
    def slow(candidates: Sequence[tuple[float, float]]) -> list[float]:
        # Meanwhile another takes this worker for dead, and evaluates what it had.
        other = queue_of(study, watch=Watch(lease_s=0.0))
        trials = other.trials()
        for trial in trials:
            if trial.state.name == "RUNNING":
                other.give_back(trial, trials, died=True)
        run_search(study, ask_space, evaluate, n_trials=2, batch=2)
        return [-1.0 for _ in candidates]

    assert run_search(study, ask_space, slow, n_trials=2, batch=2) == 0
    assert states(study) == ["FAIL", "FAIL", "COMPLETE", "COMPLETE"]
    assert all(trial.value is None or trial.value >= 0 for trial in study.optuna_study.trials)
    broken_off, done = study.optuna_study.trials[:2], study.optuna_study.trials[2:]
    assert [trial.params for trial in done] == [trial.params for trial in broken_off]


def test_a_trial_over_which_workers_die_is_given_up(study: Study) -> None:
    dead = a_dead_worker()
    left_running(study, dead, x=0.25, y=0.5)
    for death in range(1, MOST_DEATHS + 1):
        queue = queue_of(study)
        queue.retry_left_behind(queue.trials())
        assert states(study) == ["FAIL"] * death + ["WAITING"] * (death < MOST_DEATHS)
        if death < MOST_DEATHS:
            claimer = queue_of(study, dead)
            assert len(claimer.claim(claimer.trials(), 1)) == 1
            # It dies with its parameters known.
            run = study.optuna_study.trials[-1]
            study.storage.set_trial_user_attr(run._trial_id, WORKER, dead.to_dict())
    (given_up,) = study.finished
    assert given_up.number == MOST_DEATHS - 1
    assert given_up.user_attrs["no_value"] == f"{MOST_DEATHS} workers died over it"


def test_of_two_that_want_the_same_trial_one_gets_it_and_keeps_it(study: Study) -> None:
    study.optuna_study.enqueue_trial({"x": 0.25, "y": 0.5})
    one, two = queue_of(study), queue_of(study)
    seen_by_two = two.trials()
    (claimed,) = one.claim(one.trials(), 5)
    assert two.claim(seen_by_two, 5) == []  # as it stood before one took it
    assert not two.retry_left_behind(two.trials())
    assert Worker.from_dict(study.storage.get_trial(claimed._trial_id).user_attrs[WORKER]) == one.me
    assert states(study) == ["RUNNING"]


def test_a_trial_whose_taker_died_before_it_became_the_owner_is_queued_again(study: Study) -> None:
    from optuna.trial import TrialState

    study.optuna_study.enqueue_trial({"x": 0.25, "y": 0.5})
    me, dead = Worker.here(), a_dead_worker()
    (trial,) = study.storage.get_all_trials(study.study_id)
    for wanted in (me, dead):  # both wanted it, the dead one got it
        study.storage.set_trial_user_attr(trial._trial_id, f"claim:{wanted.key}", wanted.to_dict())
    study.storage.set_trial_state_values(trial._trial_id, TrialState.RUNNING)
    stranger = queue_of(study)
    assert not stranger.retry_left_behind(stranger.trials())  # the other may have got it
    loser = queue_of(study, me)
    assert loser.retry_left_behind(loser.trials())
    assert states(study) == ["FAIL", "WAITING"]


def test_start_points_come_first_and_once(study: Study) -> None:
    points = {"now": {"x": 0.125, "y": 0.5}, "margins": {"x": 0.75}}
    run_search(study, ask_space, evaluate, n_trials=2, start_points=points)
    run_search(study, ask_space, evaluate, n_trials=4, start_points=points)
    trials = study.optuna_study.trials
    assert [trial.user_attrs.get("start") for trial in trials] == ["now", "margins", None, None]
    assert trials[0].params == {"x": 0.125, "y": 0.5}
    assert trials[1].params["x"] == 0.75


def test_a_start_point_queued_by_two_is_evaluated_once(study: Study) -> None:
    points = {"now": {"x": 0.125, "y": 0.5}}
    one, two = queue_of(study), queue_of(study)
    one.add_start_points(points)
    held = one.trials()
    (key,) = (trial.user_attrs["queue_key"] for trial in held)
    study.optuna_study.enqueue_trial(points["now"], user_attrs={"queue_key": key})
    assert [trial.number for trial in two.claim(two.trials(), 5)] == [0]
    assert states(study) == ["RUNNING", "FAIL"]


def test_numbers_of_numpy_are_taken_as_start_points(study: Study) -> None:
    import numpy as np

    points = {"now": {"x": np.float32(0.5), "y": np.float64(0.25)}}
    run_search(study, ask_space, evaluate, n_trials=1, start_points=points)
    assert study.optuna_study.trials[0].params == {"x": 0.5, "y": 0.25}


def test_searches_in_several_threads_share_a_study(tmp_path: Path) -> None:
    path = tmp_path / "s.journal"
    open_study(path, "any", sampler="random")

    def work(_: int) -> int:
        study = open_study(path, "any", sampler="random", resume=True)
        return run_search(study, ask_space, evaluate, n_trials=60, batch=4)

    with ThreadPoolExecutor(3) as threads:
        counts = list(threads.map(work, range(3)))
    finished = open_study(path, "any", resume=True).finished
    assert sum(counts) == len(finished)
    assert 60 <= len(finished) <= 60 + 3 * 4
    assert len({trial.params["x"] for trial in finished}) == len(finished)


def test_a_process_is_known_by_number_and_start() -> None:
    me = Worker.here()
    assert not me.is_dead()
    assert replace(me, started_s=me.started_s - 3600.0).is_dead(), "a later one has its number"
    assert not replace(me, host="another", pid=2**22 + 1).is_dead(), "only its machine can know"
    for pid in (-1, 2**40, a_dead_worker().pid):
        assert replace(me, pid=pid).is_dead()


@pytest.mark.skipif(sys.platform == "win32", reason="a process ends at once on Windows")
def test_a_process_that_ended_but_was_not_collected_has_ended() -> None:
    process = subprocess.Popen([sys.executable, "-c", ""], stdout=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.read()  # until it has closed its output
    worker = replace(Worker.here(), pid=process.pid, started_s=time.time())
    for _ in range(1000):
        if worker.is_dead():
            break
        threading.Event().wait(0.01)
    assert worker.is_dead()
    process.communicate()


def test_a_silent_worker_of_another_machine_is_gone_after_its_lease() -> None:
    time_s = [100.0]
    watch = Watch(lease_s=60.0, clock=lambda: time_s[0])
    distant = replace(Worker.here(), host="another", key="distant")
    held = {**distant.to_dict(), "beats": 1, "left": False}
    attrs = {LEASE_PREFIX + "distant": held}
    assert not watch.is_gone(distant, attrs)
    time_s[0] += 59.0
    assert not watch.is_gone(distant, attrs)
    held["beats"] = 2
    time_s[0] += 59.0
    assert not watch.is_gone(distant, attrs)
    time_s[0] += 59.0
    assert not watch.is_gone(distant, attrs)
    time_s[0] += 1.0
    assert watch.is_gone(distant, attrs)
    held["beats"] = 3
    assert not watch.is_gone(distant, attrs)
    held["left"] = True
    assert watch.is_gone(distant, attrs)


def test_a_worker_whose_lease_was_never_written_is_gone_after_the_same_time() -> None:
    time_s = [0.0]
    watch = Watch(lease_s=60.0, clock=lambda: time_s[0])
    distant = replace(Worker.here(), host="another")
    assert not watch.is_gone(distant, {})
    time_s[0] = 60.0
    assert watch.is_gone(distant, {})


def test_a_lease_beats_and_ends(study: Study) -> None:
    me = Worker.here()
    storage = study.storage

    def written() -> dict[str, object]:
        held: dict[str, object] = storage.get_study_user_attrs(study.study_id)[LEASE_PREFIX + me.key]
        return held

    with lease(storage, study.study_id, me, beat_s=0.01):
        first = written()["beats"]
        for _ in range(1000):
            if written()["beats"] != first:
                break
            threading.Event().wait(0.01)
        assert written()["beats"] != first
        assert written()["left"] is False
        assert Watch().others(Worker.here(), storage.get_study_user_attrs(study.study_id)) == [me]
    assert written()["left"] is True
    assert Watch().others(Worker.here(), storage.get_study_user_attrs(study.study_id)) == []


def test_one_that_dies_after_the_look_has_still_parted_the_proposals(study: Study) -> None:
    # It may have written what it proposed between the look and its end: the count is then too low.
    process = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    beside = Worker(socket.gethostname(), process.pid, time.time(), "beside")
    study.storage.set_study_user_attr(study.study_id, LEASE_PREFIX + beside.key, beside.to_dict())
    work = Work(study, ask_space)
    trials = work.look()
    process.kill()
    process.wait()
    asked = {one.candidate for one in work.ask(trials, 3)}
    with open_study(None, "alone", sampler="random") as alone:
        by_itself = Work(alone, ask_space)
        lonely = {one.candidate for one in by_itself.ask(by_itself.look(), 3)}
    assert len(asked) == len(lonely) == 3
    assert not asked & lonely


def test_two_at_the_same_place_of_a_study_propose_different_trials(study: Study) -> None:
    first: list[tuple[float, float]] = []
    with lease(study.storage, study.study_id, Worker.here()):  # another one, at work too

        def note(candidates: Sequence[tuple[float, float]]) -> list[float]:
            first.extend(candidates)
            return evaluate(candidates)

        run_search(study, ask_space, note, n_trials=3, batch=3)
    with open_study(None, "alone", sampler="random") as alone:
        run_search(alone, ask_space, evaluate, n_trials=3, batch=3)
    lonely = [(trial.params["x"], trial.params["y"]) for trial in alone.finished]
    assert len(first) == len(lonely) == 3
    assert not set(first) & set(lonely)
