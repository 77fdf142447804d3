"""For ``.ci/coverage``, which needs what a test reaches and not its end: ``-p tests.coverage_plugin``.

A test over ``EVENIDLE_TEST_SECONDS`` of processor is cut off and fails, as it did not come to its end; so do
the rest of a file of which three were, as they mostly share what is dear to make.
"""

from __future__ import annotations

import os
import signal
from collections import Counter
from collections.abc import Generator

import pytest
from hypothesis import HealthCheck, settings

from tests.quick_records import read_fields_first

# Many examples of a property reach what a few do; traced on a busy machine they are drawn slowly.
slow = [HealthCheck.too_slow]
settings.register_profile("few", derandomize=True, deadline=None, max_examples=10, suppress_health_check=slow)
LIMIT_s = float(os.environ.get("EVENIDLE_TEST_SECONDS", "60"))
MOST_OF_A_FILE = 3
CUT_OFF: Counter[str] = Counter()
LEFT_s = pytest.StashKey[float]()


if os.environ.get("NUMBA_DISABLE_JIT") == "1":
    read_fields_first()


class CutOffError(BaseException):
    """A test that takes too long; no ``except Exception`` stops it, and no property is tried again for it."""


def cut_off(*_: object) -> None:
    """End the test."""
    raise CutOffError(f"cut off after {LIMIT_s:g} s")


def limited(item: pytest.Item) -> Generator[None, object, object]:
    """One part of a test, within what is left of its time."""
    signal.signal(signal.SIGPROF, cut_off)
    signal.setitimer(signal.ITIMER_PROF, item.stash.get(LEFT_s, LIMIT_s), 1.0)
    try:
        return (yield)
    except CutOffError:
        CUT_OFF[str(item.path)] += 1
        raise
    finally:
        item.stash[LEFT_s] = max(signal.setitimer(signal.ITIMER_PROF, 0.0)[0], 0.1)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, object, object]:
    """Limit what a file does while it is loaded."""
    signal.signal(signal.SIGPROF, cut_off)
    signal.setitimer(signal.ITIMER_PROF, LIMIT_s)
    try:
        return (yield)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Leave a test out if its file was cut off too often."""
    if CUT_OFF[str(item.path)] >= MOST_OF_A_FILE:
        raise CutOffError("this file's tests are too slow here")


class Fixtures:
    """A plugin within this one, as each has one hook of a name."""

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Generator[None, object, object]:
        """Limit what the fixtures do."""
        return (yield from limited(item))


def pytest_configure(config: pytest.Config) -> None:
    """Bring it in."""
    config.pluginmanager.register(Fixtures())


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, object, object]:
    """Limit what the test itself does."""
    return (yield from limited(item))
