"""Studies on a real PostgreSQL: shared by two processes, killed, and what the errors say."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from sim.errors import EvenidleError, InputError
from tests.command.postgres_server import USER, make_database, private_server
from tests.command.study_processes import (
    BATCH,
    Process,
    check_nothing_left_open,
    check_nothing_lost_or_doubled,
    complete,
    enough_to_clear,
    evaluated,
    read_plainly,
    start_together,
)
from tuning.studies.studies import open_study, run_search

pytestmark = pytest.mark.server

KILLS = 6


@pytest.fixture(scope="module")
def server() -> Iterator[Path]:
    with private_server() as folder:
        yield folder


def test_two_processes_share_a_study_from_an_empty_database(
    server: Path, tmp_path: Path, start_worker: Callable[..., Process]
) -> None:
    url = make_database(server, "sharing")
    wanted = 48
    workers = start_together(start_worker, url, [tmp_path / "ledger0", tmp_path / "ledger1"], wanted)
    for worker in workers:
        worker.finish()
    trials = read_plainly(url)
    done = complete(trials)
    assert wanted <= len(done) <= wanted + 2 * BATCH
    ledgers = [worker.ledger for worker in workers]
    check_nothing_lost_or_doubled(trials, ledgers)
    check_nothing_left_open(trials)
    shares = [evaluated(ledger) for ledger in ledgers]
    assert sorted(shares[0] + shares[1]) == sorted(trial.params["x"] for trial in done)
    assert min(len(share) for share in shares) > 0


def test_kill_loses_nothing_finished(
    server: Path, tmp_path: Path, start_worker: Callable[..., Process]
) -> None:
    url = make_database(server, "killing")
    moments = random.Random(6)
    ledgers = [tmp_path / f"ledger{i}" for i in range(KILLS + 2)]
    workers = [start_worker(url, ledgers[i], 10**6) for i in (0, 1)]
    for kill in range(KILLS):
        victim = workers.pop(0)
        victim.wait_for_a_moment(kill, moments)
        victim.kill()
        workers.append(start_worker(url, ledgers[kill + 2], 10**6))
    for worker in workers:
        worker.kill()
    left = read_plainly(url)
    before = {trial.number: trial.value for trial in complete(left)}
    assert len(before) >= KILLS // 2
    last = start_worker(url, tmp_path / "last", enough_to_clear(left), seconds=0.0)
    last.finish()
    trials = read_plainly(url)
    assert before.items() <= {trial.number: trial.value for trial in complete(trials)}.items()
    check_nothing_lost_or_doubled(trials, [*ledgers, last.ledger])
    check_nothing_left_open(trials)


def test_same_trials_as_in_memory(server: Path) -> None:
    def found(storage: str | None) -> list[tuple[dict[str, object], float | None]]:
        with open_study(storage, "same", seed=11) as study:
            run_search(
                study,
                lambda trial: trial.suggest_float("x", 0.0, 1.0),
                lambda batch: [(x - 1 / 3) ** 2 for x in batch],
                n_trials=24,
            )
            return [(trial.params, trial.value) for trial in study.finished]

    assert found(make_database(server, "same")) == found(None)


def test_a_database_that_is_not_there_is_named_without_the_password(server: Path) -> None:
    url = f"postgresql://{USER}:secret@/absent?host={server}"
    with pytest.raises(InputError) as told:
        open_study(url, "any")
    (problem,) = told.value.problems
    assert problem.key == "storage"
    assert '"absent" does not exist' in problem.message
    assert "secret" not in str(told.value)


def test_a_server_lost_in_mid_search_is_told_with_advice() -> None:
    with private_server() as folder:
        url = make_database(folder, "losing")

        def cut_off(batch: Sequence[float]) -> list[float]:
            import psycopg

            with psycopg.connect(host=str(folder), user=USER, dbname="postgres") as link:
                link.autocommit = True
                link.execute("ALTER DATABASE losing ALLOW_CONNECTIONS false")
                link.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                             " WHERE datname = 'losing'")  # fmt: skip
            return list(batch)

        with (
            open_study(url, "any", sampler="random") as study,
            pytest.raises(EvenidleError, match="--resume"),
        ):
            run_search(study, lambda trial: trial.suggest_float("x", 0, 1), cut_off, n_trials=4)
