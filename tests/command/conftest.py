"""What the tests of commands and processes share."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.command.study_processes import Process, start


@pytest.fixture
def start_worker() -> Iterator[Callable[..., Process]]:
    """`start` of study_processes; whatever it started has ended when the test has."""
    begun: list[Process] = []

    def begin(*args: object, **kwargs: object) -> Process:
        begun.append(start(*args, **kwargs))  # type: ignore[arg-type] # passed on as they are
        return begun[-1]

    yield begin
    for process in begun:
        process.kill()
