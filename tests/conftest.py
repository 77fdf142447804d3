"""What all tests share: the same examples at each run, and where the recorded data lies."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from hypothesis import settings

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


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of recorded data that is never copied into the project."""
    folder = Path(__file__).resolve().parents[2] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip(f"the recorded data is not at {folder}")
    return folder
