"""A worker process for the tests of shared and killed studies; cheap objective, few imports.

Usage: study_worker.py STORAGE LEDGER TRIALS BATCH SECONDS

Each batch takes SECONDS. LEDGER gets a line ``r`` when the slow imports are over, a line ``e X``
for each candidate evaluated, and a line ``t`` once what was evaluated before has been told; each
reaches the disk before work goes on. While LEDGER.hold is there, a worker that is ready waits;
while LEDGER.stay is, one that evaluates, after a line ``s``.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING

from tuning.studies.studies import Progress, open_study, run_search

if TYPE_CHECKING:
    import optuna

Candidate = tuple[float, float]


def ask_space(trial: optuna.Trial) -> Candidate:
    """Two parameters, the second only for half of the trials."""
    x = trial.suggest_float("x", -1.0, 1.0)
    return x, trial.suggest_float("y", 0.0, 1.0) if x > 0 else 0.0


def value(candidate: Candidate) -> float:
    x, y = candidate
    return (x - 0.3) ** 2 + y


def write_line(ledger: IO[str], text: str) -> None:
    ledger.write(text + "\n")
    ledger.flush()
    os.fsync(ledger.fileno())


def wait_while(name: str) -> None:
    """Wait as long as a file is there."""
    while Path(name).exists():
        time.sleep(0.01)


def main(storage: str, ledger_name: str, trials: int, batch: int, seconds: float) -> None:
    with open(ledger_name, "a", encoding="utf-8") as ledger:  # noqa: PTH123 - starts faster

        def evaluate(candidates: Sequence[Candidate]) -> list[float]:
            time.sleep(seconds)
            if Path(ledger_name + ".stay").exists():
                write_line(ledger, "s")
            wait_while(ledger_name + ".stay")
            for x, _ in candidates:
                write_line(ledger, f"e {x!r}")
            return [value(candidate) for candidate in candidates]

        def progress(_: Progress) -> None:
            write_line(ledger, "t")

        import optuna  # noqa: F401 - the slow one

        write_line(ledger, "r")
        wait_while(ledger_name + ".hold")
        with open_study(storage, "shared", seed=7, resume=True, sampler="random") as study:
            run_search(
                study,
                ask_space,
                evaluate,
                n_trials=trials,
                batch=batch,
                start_points={"left": {"x": -0.5}, "right": {"x": 0.5, "y": 0.25}},
                on_progress=progress,
            )


if __name__ == "__main__":
    _, storage_text, ledger_text, trials_text, batch_text, seconds_text = sys.argv
    main(storage_text, ledger_text, int(trials_text), int(batch_text), float(seconds_text))
