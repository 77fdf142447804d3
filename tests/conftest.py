"""What all tests share: the same examples at each run, and where the recorded data lies."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from xdist.scheduler import LoadScopeScheduling

# Figures are drawn into files; no test may open a window.
os.environ.setdefault("MPLBACKEND", "Agg")
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # Started in the background by a shell, which hands this down to whatever the tests start.
    signal.signal(signal.SIGINT, signal.default_int_handler)

# The same examples at each run: a stranger's first run is CI's run. No deadline, since the first
# example of a compiled function pays for its compilation.
settings.register_profile("repeatable", derandomize=True, deadline=None, print_blob=True)
# To look for new counterexamples: pytest --hypothesis-profile=explore
settings.register_profile("explore", max_examples=2000, deadline=None, print_blob=True)
settings.load_profile("repeatable")

TOGETHER = {
    **dict.fromkeys(
        ("test_base_from_logs", "test_fit", "test_fit_foreign", "test_fit_verdict", "test_tune_foreign"),
        "engines of another structure",
    ),
    **dict.fromkeys(("test_base_model", "test_no_contradiction"), "proposed curves"),
    **{one: one for one in (
        "test_base_need", "test_books", "test_check_lines", "test_cycles_against_simulation", "test_diagnose",
        "test_explain", "test_explanation_accuracy", "test_fit_facts", "test_idle_facts",
        "test_one_operating_point", "test_same_trace", "test_scaling", "test_score_terms",
        "test_trial_runs", "test_trust", "test_tune", "test_warm_up",
    )},
}  # fmt: skip
"""Files whose tests share fits, searches, logs or cars, and which process they then share."""


class SharingFirst(LoadScopeScheduling):  # type: ignore[misc] # untyped
    """Tests that share what is dear to make run in one process, and first; all others one by one."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0].rpartition("/")[2].removesuffix(".py")
        return TOGETHER.get(file, nodeid)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> SharingFirst | None:
    """Without a wish of the caller's: as above."""
    return SharingFirst(config, log) if config.option.dist == "load" else None


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of recorded data that is never copied into the project."""
    folder = Path(__file__).resolve().parents[2] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip(f"the recorded data is not at {folder}")
    return folder
